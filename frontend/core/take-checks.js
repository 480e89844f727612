/**
 * A recording looked at before it leaves this device, by the server's own measures (`app/files/checks.py`): nothing heard,
 * too short, very quiet, overloaded. The server looks again at what arrives, at dropouts and the room too.
 */

const BLOCK_SEC = 0.05;
const SILENT_DB = -60;
const SOUNDING_BELOW_LOUDEST_DB = 30;
const QUIET_DB = -40;
const SHORTEST_SEC = 1;
const LONG_LEAD_SEC = 15;
const CLIP_LEVEL = 0.985;
const CLIP_RUN = 3;
const CLIP_PLACES_TO_MENTION = 3;

/**
 * @typedef {object} Looked
 * @property {boolean} usable false: the server would refuse it
 * @property {string[]} sentences what to listen for, or why it is not usable; empty: nothing was found
 * @property {number} sec
 * @property {number | null} levelDb of the sounding blocks; null: nothing sounds
 * @property {number} soundingSec
 * @property {number} playedSec from the first sound to the last
 * @property {number} clippedPlaces
 */

/**
 * @param {ArrayBuffer[]} chunks mono float32 in order
 * @returns {Float32Array}
 */
export function joined(chunks) {
  const all = new Float32Array(chunks.reduce((sum, chunk) => sum + chunk.byteLength / 4, 0));
  let at = 0;
  for (const chunk of chunks) {
    all.set(new Float32Array(chunk), at);
    at += chunk.byteLength / 4;
  }
  return all;
}

/**
 * @param {Float32Array} samples
 * @param {number} rate Hz
 * @returns {number[]} mean square of consecutive blocks of 50 ms
 */
function blockPowers(samples, rate) {
  const size = Math.max(1, Math.round(BLOCK_SEC * rate));
  const powers = [];
  for (let from = 0; from + size <= samples.length; from += size) {
    let square = 0;
    for (let index = from; index < from + size; index += 1) square += samples[index] * samples[index];
    powers.push(square / size);
  }
  return powers;
}

/**
 * @param {Float32Array} samples
 * @returns {number} flat tops: three samples or more in a row within 0.05 % of a peak near full scale
 */
function clippedPlaces(samples) {
  let peak = 0;
  for (const sample of samples) peak = Math.max(peak, Math.abs(sample));
  if (peak < CLIP_LEVEL) return 0;
  const high = Math.fround(Math.max(CLIP_LEVEL, peak * 0.9995));
  let places = 0;
  let run = 0;
  for (const sample of samples) {
    run = Math.abs(sample) >= high ? run + 1 : 0;
    if (run === CLIP_RUN) places += 1;
  }
  return places;
}

/**
 * @param {Float32Array} samples
 * @param {number} rate Hz
 * @param {{marked_sec: number | null, shortest_sec: number | null}} length of the piece as printed, and what playing of it lasts at least
 * @returns {Looked}
 */
export function lookAt(samples, rate, length) {
  const powers = blockPowers(samples, rate);
  const loudest = powers.reduce((most, power) => Math.max(most, power), 0);
  const floor = Math.max(loudest * 10 ** (-SOUNDING_BELOW_LOUDEST_DB / 10), 10 ** (SILENT_DB / 10));
  const sounding = powers.map((power, block) => (power >= floor ? block : -1)).filter((block) => block >= 0);
  const sec = samples.length / rate;
  const soundingSec = Math.min(sec, sounding.length * BLOCK_SEC);
  const first = sounding[0] ?? 0;
  const playedSec = sounding.length ? (sounding[sounding.length - 1] - first + 1) * BLOCK_SEC : 0;
  const levelDb = sounding.length ? 10 * Math.log10(sounding.reduce((sum, block) => sum + powers[block], 0) / sounding.length) : null;
  const clipped = clippedPlaces(samples);
  const base = { sec, levelDb, soundingSec, playedSec, clippedPlaces: clipped };
  if (levelDb === null) return { ...base, usable: false, sentences: ["Nothing is to be heard; check the microphone, then record again."] };
  if (sec < SHORTEST_SEC || soundingSec < SHORTEST_SEC / 2) return { ...base, usable: false, sentences: [`Only ${soundingSec.toFixed(1)} s of sound; record again.`] };
  const sentences = [];
  if (length.shortest_sec !== null && playedSec < length.shortest_sec) {
    sentences.push(`${Math.round(playedSec)} s of playing recorded; the piece takes about ${Math.round(length.marked_sec ?? 0)} s. Is all of it there?`);
  }
  if (clipped >= CLIP_PLACES_TO_MENTION) sentences.push(`The microphone was overloaded in ${clipped} places; move it away and record again.`);
  if (levelDb < QUIET_DB) sentences.push(`Very quiet (${Math.round(levelDb)} dB); move the microphone closer.`);
  if (first * BLOCK_SEC > LONG_LEAD_SEC) sentences.push(`The playing starts after ${Math.round(first * BLOCK_SEC)} s.`);
  return { ...base, usable: true, sentences };
}
