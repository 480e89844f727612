/** WAV files of 32-bit float samples, as the microphone gave them: nothing is rounded before it is stored. */

const FLOAT_FORMAT = 3; // WAVE_FORMAT_IEEE_FLOAT
const HEAD_BYTES = 58; // RIFF + fmt of 18 bytes + fact, as the format asks for when samples are not PCM integers

/**
 * @param {ArrayBuffer[]} chunks mono float32, little-endian, in order
 * @param {number} sampleRate Hz
 * @returns {Blob}
 */
export function wavOf(chunks, sampleRate) {
  const dataBytes = chunks.reduce((sum, chunk) => sum + chunk.byteLength, 0);
  const head = new DataView(new ArrayBuffer(HEAD_BYTES));
  const word = (/** @type {number} */ at, /** @type {string} */ text) =>
    [...text].forEach((letter, index) => head.setUint8(at + index, letter.charCodeAt(0)));
  word(0, "RIFF");
  head.setUint32(4, HEAD_BYTES - 8 + dataBytes, true);
  word(8, "WAVEfmt ");
  head.setUint32(16, 18, true);
  head.setUint16(20, FLOAT_FORMAT, true);
  head.setUint16(22, 1, true);
  head.setUint32(24, sampleRate, true);
  head.setUint32(28, sampleRate * 4, true);
  head.setUint16(32, 4, true);
  head.setUint16(34, 32, true);
  head.setUint16(36, 0, true);
  word(38, "fact");
  head.setUint32(42, 4, true);
  head.setUint32(46, dataBytes / 4, true);
  word(50, "data");
  head.setUint32(54, dataBytes, true);
  return new Blob([head.buffer, ...chunks], { type: "audio/wav" });
}
