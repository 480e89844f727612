/** The level meter: the bar is loudness, the mark the peak that was held. */

const FLOOR_DB = -60; // left end of the meter, our choice
const QUIET_DB = -40; // the server's own word for very quiet

/** @param {number} size linear, 1 is full scale */
export const decibel = (size) => (size > 0 ? Math.max(-99, 20 * Math.log10(size)) : -99);

/**
 * @param {number} peakDb now
 * @param {number} holdDb the peak that was held
 * @returns {string}
 */
export function levelText(peakDb, holdDb) {
  const held = `peak ${Math.round(holdDb)} dB`;
  if (peakDb > -1) return "Too loud: move the microphone away.";
  return peakDb < QUIET_DB ? `Very quiet (${held}).` : `The level is good (${held}).`;
}

/**
 * @param {HTMLCanvasElement} canvas
 * @param {number} rmsDb
 * @param {number} holdDb
 */
export function drawMeter(canvas, rmsDb, holdDb) {
  const paint = canvas.getContext("2d");
  if (!paint) return;
  const look = getComputedStyle(canvas);
  const at = (/** @type {number} */ db) => Math.max(0, Math.min(1, 1 - db / FLOOR_DB)) * canvas.width;
  paint.clearRect(0, 0, canvas.width, canvas.height);
  paint.fillStyle = look.getPropertyValue("--unheard");
  paint.fillRect(0, 0, at(rmsDb), canvas.height);
  paint.fillStyle = look.getPropertyValue(holdDb > -1 ? "--high" : "--ink");
  paint.fillRect(Math.max(0, at(holdDb) - 3), 0, 3, canvas.height);
}
