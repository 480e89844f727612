/**
 * Drone and metronome for practising. Every sound goes through one level that begins quietly and can't be turned up
 * beyond a cap; what a device's own volume does with it nobody here can know, so the screen carries a caution.
 */

import { TUNING_PARTIALS, click } from "./sounds.js";

export const LEVELS = 10;
export const FIRST_LEVEL = 3; // where every visit begins: 14 dB under the cap
const CAP = 0.2; // of full scale, for the loudest level; our choice
const STEP_DB = 2; // between two levels
const SWELL_SEC = 1.5; // a drone comes out of nothing; our choice
const LOOK_AHEAD_SEC = 0.3;
const TICK_MS = 60;
const LOWEST_DRONE_MIDI = 48; // the octave from C3 on: under most instruments, above what a telephone can't sound
const JUST_FIFTH = 3 / 2;
const EQUAL_FIFTH = 2 ** (7 / 12);

/**
 * @param {number} level 0 (silent) to {@link LEVELS}
 * @returns {number} linear, never above the cap
 */
export const gainOf = (level) => {
  const whole = Math.min(LEVELS, Math.max(0, Math.round(level)));
  return whole === 0 ? 0 : CAP * 10 ** ((-STEP_DB * (LEVELS - whole)) / 20);
};

/**
 * @param {number} semitone of the sounding tonic above C
 * @param {number} a4Hz
 * @returns {number} the drone's frequency
 */
export const droneHz = (semitone, a4Hz) => a4Hz * 2 ** ((LOWEST_DRONE_MIDI + (((semitone % 12) + 12) % 12) - 69) / 12);

/** @typedef {{hz: number, fifth: boolean, just: boolean, level: number}} DroneSetting */

export class Drone {
  /** @param {AudioContext} context @param {DroneSetting} setting */
  constructor(context, setting) {
    this.context = context;
    this.out = context.createGain();
    this.out.gain.value = 0;
    this.out.connect(context.destination);
    this.fifthLevel = context.createGain();
    this.fifthLevel.connect(this.out);
    const partials = new Float32Array(TUNING_PARTIALS);
    const wave = context.createPeriodicWave(new Float32Array(partials.length), partials);
    const tone = (/** @type {AudioNode} */ to) => {
      const made = context.createOscillator();
      made.setPeriodicWave(wave);
      made.connect(to);
      made.start();
      return made;
    };
    this.root = tone(this.out);
    this.fifth = tone(this.fifthLevel);
    this.set(setting, SWELL_SEC);
  }

  /** @param {DroneSetting} setting @param {number} [sec] how long the change takes */
  set({ hz, fifth, just, level }, sec = 0.1) {
    const now = this.context.currentTime;
    this.root.frequency.setValueAtTime(hz, now);
    this.fifth.frequency.setValueAtTime(hz * (just ? JUST_FIFTH : EQUAL_FIFTH), now);
    this.fifthLevel.gain.setTargetAtTime(fifth ? 0.6 : 0, now, 0.05);
    this.out.gain.cancelScheduledValues(now);
    this.out.gain.setValueAtTime(this.out.gain.value, now);
    this.out.gain.linearRampToValueAtTime(gainOf(level), now + sec);
  }

  stop() {
    const now = this.context.currentTime;
    this.out.gain.cancelScheduledValues(now);
    this.out.gain.setTargetAtTime(0, now, 0.05);
    for (const tone of [this.root, this.fifth]) tone.stop(now + 0.4);
  }
}

/** @typedef {{bpm: number, beats: number, parts: number, sounding: number, silent: number}} ClickSetting beats to the bar, parts to the beat, then bars that sound and bars that don't */
/** @typedef {{bar: number, beat: number, part: number, silent: boolean, look: boolean | "part"}} Place of one click, all counted from 0 */

/**
 * @param {number} index clicks since the first
 * @param {ClickSetting} setting
 * @returns {Place}
 */
export function placeOf(index, { beats, parts, sounding, silent }) {
  const part = index % parts;
  const beat = Math.floor(index / parts) % beats;
  const bar = Math.floor(index / (parts * beats));
  const quiet = silent > 0 && bar % (sounding + silent) >= sounding;
  return { bar, beat, part, silent: quiet, look: part > 0 ? "part" : beat === 0 };
}

export class Clicks {
  /**
   * @param {AudioContext} context
   * @param {ClickSetting} setting
   * @param {number} level
   * @param {(place: Place) => void} onClick when it sounds, or would
   */
  constructor(context, setting, level, onClick) {
    this.context = context;
    this.setting = setting;
    this.onClick = onClick;
    this.out = context.createGain();
    this.out.gain.value = gainOf(level) / CLICK_PEAK;
    this.out.connect(context.destination);
    this.index = 0;
    this.nextSec = context.currentTime + 0.15;
    /** @type {{sec: number, place: Place}[]} */
    this.coming = [];
    this.timer = setInterval(() => this.fill(), TICK_MS);
    this.fill();
  }

  /** Put the next clicks into the context's future, and tell those that have come. */
  fill() {
    const now = this.context.currentTime;
    const { bpm, parts } = this.setting;
    // A page that slept goes on from now: nobody wants the missed clicks at once.
    if (this.nextSec < now) this.nextSec = now + 0.05;
    for (; this.nextSec < now + LOOK_AHEAD_SEC; this.nextSec += 60 / bpm / parts) {
      const place = placeOf(this.index, this.setting);
      if (!place.silent) click(this.context, this.nextSec, place.look, this.out);
      this.coming.push({ sec: this.nextSec, place });
      this.index += 1;
    }
    while (this.coming.length && this.coming[0].sec <= now) {
      const told = this.coming.shift();
      if (told) this.onClick(told.place);
    }
  }

  /** @param {ClickSetting} setting the tempo changes at once; other parts or beats begin a new bar */
  set(setting) {
    const { beats, parts, sounding, silent } = this.setting;
    const otherBar = beats !== setting.beats || parts !== setting.parts || sounding !== setting.sounding || silent !== setting.silent;
    this.setting = setting;
    if (otherBar) this.index = 0;
  }

  /** @param {number} level */
  setLevel(level) {
    this.out.gain.setTargetAtTime(gainOf(level) / CLICK_PEAK, this.context.currentTime, 0.03);
  }

  stop() {
    clearInterval(this.timer);
    this.out.disconnect();
  }
}

const CLICK_PEAK = 0.6; // the loudest click's own level, so that the cap holds for clicks as well
