/** Sounds the recording room makes: the tuning note, a count-in, a metronome. Only a declared click goes on through a take. */

const CLICK_SEC = 0.05;
const DOWNBEAT = { hz: 1760, gain: 0.6 };
const BEAT = { hz: 1320, gain: 0.4 };
const PART = { hz: 1100, gain: 0.2 }; // a part of a beat
const TUNING_GAIN = 0.15; // our choice: loud enough to tune to, soft enough to hear oneself
export const TUNING_PARTIALS = [0, 1, 0.5, 0.3, 0.15, 0.08]; // our choice: enough overtones to hear beats against
const LOOK_AHEAD_SEC = 0.6; // our choice: a busy page may come back late and no click is
const TICK_MS = 100;

/**
 * Put one click into the context's future.
 * @param {BaseAudioContext} context
 * @param {number} atSec context time
 * @param {boolean | "part"} downbeat "part": a subdivision
 * @param {AudioNode} [out]
 */
export function click(context, atSec, downbeat, out = context.destination) {
  const { hz, gain } = downbeat === "part" ? PART : downbeat ? DOWNBEAT : BEAT;
  const tone = context.createOscillator();
  const level = context.createGain();
  tone.frequency.value = hz;
  level.gain.setValueAtTime(0, atSec);
  level.gain.linearRampToValueAtTime(gain, atSec + 0.001);
  level.gain.exponentialRampToValueAtTime(1e-4, atSec + CLICK_SEC - 0.01);
  tone.connect(level).connect(out);
  tone.start(atSec);
  tone.stop(atSec + CLICK_SEC);
}

/** @typedef {{bpm: number, beats: number}} Pulse beats to the minute and to the bar */

/**
 * @param {BaseAudioContext} context
 * @param {Pulse} pulse
 * @param {number} beats how many are counted; the last stands one beat before the music
 * @param {number} startSec context time of the first
 * @param {AudioNode} [out]
 * @returns {number} context time at which the music begins
 */
export function countIn(context, pulse, beats, startSec, out = context.destination) {
  const beatSec = 60 / pulse.bpm;
  // A count that is no whole number of bars (an upbeat follows) begins in the middle of one.
  const first = (pulse.beats - (beats % pulse.beats)) % pulse.beats;
  for (let beat = 0; beat < beats; beat += 1) click(context, startSec + beat * beatSec, (first + beat) % pulse.beats === 0, out);
  return startSec + beats * beatSec;
}

/**
 * @param {BaseAudioContext} context
 * @param {Pulse} pulse
 * @param {number} [startSec] context time of the first downbeat
 * @returns {() => void} stops it at once, also clicks that were put into the future
 */
export function metronome(context, pulse, startSec = context.currentTime + 0.1) {
  const out = context.createGain();
  out.connect(context.destination);
  let beat = 0;
  const fill = () => {
    for (let at = startSec + (beat * 60) / pulse.bpm; at < context.currentTime + LOOK_AHEAD_SEC; at = startSec + (beat * 60) / pulse.bpm) {
      click(context, at, beat % pulse.beats === 0, out);
      beat += 1;
    }
  };
  fill();
  const timer = setInterval(fill, TICK_MS);
  return () => {
    clearInterval(timer);
    out.disconnect();
  };
}

/**
 * @param {BaseAudioContext} context
 * @param {number} hz
 * @returns {() => number} stops it; returns the context time at which it is silent
 */
export function tuningNote(context, hz) {
  const level = context.createGain();
  const tone = context.createOscillator();
  const partials = new Float32Array(TUNING_PARTIALS);
  tone.setPeriodicWave(context.createPeriodicWave(new Float32Array(partials.length), partials));
  tone.frequency.value = hz;
  level.gain.setValueAtTime(0, context.currentTime);
  level.gain.linearRampToValueAtTime(TUNING_GAIN, context.currentTime + 0.2);
  tone.connect(level).connect(context.destination);
  tone.start();
  return () => {
    const now = context.currentTime;
    level.gain.setTargetAtTime(0, now, 0.03);
    tone.stop(now + 0.25);
    return now + 0.25;
  };
}
