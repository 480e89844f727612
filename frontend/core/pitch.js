/**
 * The pitch of a short piece of sound: normalised difference of the sound and itself shifted (McLeod and Wyvill 2005),
 * then sharpened at multiples of the period, where the same place reads finer.
 *
 * Samples are mono, any scale; hertz out. The window must hold the longest period twice.
 */

export const LOWEST_HZ = 27; // just below the piano's lowest A
export const HIGHEST_HZ = 4500; // just above its highest C
export const WINDOW = 4096; // samples; at 48 kHz room for the lowest pitch twice and some
const FIRST_OVER = 0.93; // of the highest peak: the first peak this high is the period; our choice within 0.8 to 1
const STILL_ALIKE = 0.8; // of the first peak: below this the sound has moved on; our choice
const LEAST_CLARITY = 0.8; // below this it is noise or two pitches; our choice
const QUIET = 0.003; // root mean square against full scale, -50 dB; our choice

/** @typedef {{hz: number, clarity: number}} Heard */

/**
 * @param {Float32Array} samples at least {@link WINDOW} samples; the last ones are used
 * @param {number} sampleRate
 * @returns {Heard | null} null: nothing with a pitch
 */
export function pitchOf(samples, sampleRate) {
  const from = samples.length - WINDOW;
  if (from < 0) return null;
  let mean = 0;
  for (let i = from; i < samples.length; i += 1) mean += samples[i];
  mean /= WINDOW;
  const sound = new Float32Array(WINDOW);
  let power = 0;
  for (let i = 0; i < WINDOW; i += 1) {
    sound[i] = samples[from + i] - mean;
    power += sound[i] * sound[i];
  }
  if (Math.sqrt(power / WINDOW) < QUIET) return null;
  const longest = Math.min(WINDOW - 512, Math.ceil(sampleRate / LOWEST_HZ));
  const alike = likeness(sound, longest);
  const first = period(alike, Math.floor(sampleRate / HIGHEST_HZ));
  if (first === null || first.height < LEAST_CLARITY) return null;
  return { hz: sampleRate / sharpened(alike, first), clarity: Math.min(1, first.height) };
}

/**
 * How alike the sound is to itself, shifted: 1 for a period, -1 for half of one.
 * @param {Float32Array} sound
 * @param {number} longest shift
 * @returns {Float32Array} of longest + 2 shifts
 */
function likeness(sound, longest) {
  const width = sound.length - longest - 1;
  const alike = new Float32Array(longest + 2);
  let energy = 0;
  for (let i = 0; i < width; i += 1) energy += sound[i] * sound[i];
  let shifted = energy;
  for (let lag = 0; lag < alike.length; lag += 1) {
    let sum = 0;
    for (let i = 0; i < width; i += 1) sum += sound[i] * sound[i + lag];
    const whole = energy + shifted;
    alike[lag] = whole > 0 ? (2 * sum) / whole : 0;
    shifted += (sound[lag + width] ?? 0) ** 2 - sound[lag] ** 2;
  }
  return alike;
}

/** @typedef {{at: number, height: number}} Peak */

/**
 * @param {Float32Array} alike
 * @param {number} shortest period in samples
 * @returns {Peak | null}
 */
function period(alike, shortest) {
  let lag = 1;
  while (lag < alike.length && alike[lag] > 0) lag += 1; // the peak of no shift at all
  /** @type {Peak[]} */
  const peaks = [];
  let best = 0; // highest place of the present positive stretch
  for (; lag < alike.length - 1; lag += 1) {
    if (alike[lag] > 0 && lag >= shortest && alike[lag] >= alike[lag - 1] && alike[lag] > alike[lag + 1]) {
      if (best === 0 || alike[lag] > alike[best]) best = lag;
    }
    if (alike[lag] <= 0 && best > 0) {
      peaks.push(summit(alike, best));
      best = 0;
    }
  }
  if (best > 0) peaks.push(summit(alike, best));
  if (peaks.length === 0) return null;
  const highest = Math.max(...peaks.map((peak) => peak.height));
  return peaks.find((peak) => peak.height >= FIRST_OVER * highest) ?? null;
}

/**
 * The top of the parabola through a sample and its neighbours.
 * @param {Float32Array} alike
 * @param {number} lag
 * @returns {Peak}
 */
function summit(alike, lag) {
  const [before, here, after] = [alike[lag - 1], alike[lag], alike[lag + 1]];
  const bend = before - 2 * here + after;
  const shift = bend < 0 ? (0.5 * (before - after)) / bend : 0;
  return { at: lag + shift, height: here - 0.25 * (before - after) * shift };
}

/**
 * The period read at twice, four times ... its length, as long as the sound stays alike.
 * @param {Float32Array} alike
 * @param {Peak} first
 * @returns {number} samples
 */
function sharpened(alike, first) {
  let length = first.at;
  for (let times = 2; ; times *= 2) {
    const guess = times * length;
    if (guess > alike.length - 3) return length;
    const reach = Math.max(1, Math.min(Math.round(first.at / 4), times));
    let top = Math.round(guess);
    for (let lag = top - reach; lag <= Math.round(guess) + reach && lag < alike.length - 1; lag += 1) {
      if (alike[lag] > alike[top]) top = lag;
    }
    const peak = summit(alike, Math.min(top, alike.length - 2));
    if (peak.height < STILL_ALIKE * first.height) return length;
    length = peak.at / times;
  }
}
