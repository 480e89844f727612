/**
 * From pitches heard several times a second to tones held, and what is said about them. Pure: no sound, no clock.
 */

export const LEAST_SEC = 0.4; // shorter is no tone to judge; our choice
const ATTACK_SEC = 0.12; // the beginning of a tone is no part of its pitch; our choice
const SAME_TONE_CENTS = 70; // a step of less than a semitone: vibrato and bending stay one tone; our choice
const LONGEST_GAP_SEC = 0.15; // a pitch lost for so long is the same tone; our choice
const FINEST_CENTS = 2; // what a tone held in a room can be read to; our choice
const NAMES = ["C", "C♯", "D", "E♭", "E", "F", "F♯", "G", "A♭", "A", "B♭", "B"];

/** @typedef {{sec: number, hz: number | null, rms?: number}} Frame */
/** @typedef {{midi: number, cents: number, wander: number, slope: number, sec: number, from: number}} Tone cents from the nearest tempered pitch; wander: half the range of the middle four fifths; slope: cents from its first third to its last */

/**
 * @param {number} hz
 * @param {number} a4Hz
 * @returns {number} MIDI number with its fraction
 */
export const midiOf = (hz, a4Hz) => 69 + 12 * Math.log2(hz / a4Hz);

/**
 * @param {number} midi sounding
 * @param {number} transposition sounding minus written, semitones
 * @returns {string} the written name with its octave
 */
export function writtenName(midi, transposition) {
  const written = midi - transposition;
  return `${NAMES[((written % 12) + 12) % 12]}${Math.floor(written / 12) - 1}`;
}

/** @param {number[]} values @param {number} share @returns {number} */
function quantile(values, share) {
  const sorted = [...values].sort((a, b) => a - b);
  return sorted[Math.min(sorted.length - 1, Math.max(0, Math.round(share * (sorted.length - 1))))];
}

/** Gathers frames into tones. */
export class ToneListener {
  /** @param {number} a4Hz */
  constructor(a4Hz) {
    this.a4Hz = a4Hz;
    /** @type {{sec: number, midi: number}[]} */
    this.run = [];
  }

  /**
   * @param {Frame} frame
   * @returns {Tone | null} a tone that has just ended
   */
  hear({ sec, hz }) {
    const last = this.run[this.run.length - 1];
    if (hz === null) return last && sec - last.sec > LONGEST_GAP_SEC ? this.end() : null;
    const midi = midiOf(hz, this.a4Hz);
    const middle = this.run.length ? quantile(this.run.slice(-12).map((one) => one.midi), 0.5) : midi;
    let ended = null;
    if (last && (sec - last.sec > LONGEST_GAP_SEC || Math.abs(midi - middle) * 100 > SAME_TONE_CENTS)) ended = this.end();
    this.run.push({ sec, midi });
    return ended;
  }

  /** @returns {Tone | null} the tone that sounds now, as far as it has come */
  now() {
    return toneOf(this.run);
  }

  /** @returns {Tone | null} */
  end() {
    const tone = toneOf(this.run);
    this.run = [];
    return tone;
  }
}

/**
 * @param {{sec: number, midi: number}[]} run
 * @returns {Tone | null} null: too short to say anything
 */
function toneOf(run) {
  if (run.length === 0) return null;
  const from = run[0].sec;
  const sec = run[run.length - 1].sec - from;
  const held = run.filter((one) => one.sec - from >= ATTACK_SEC).map((one) => one.midi);
  if (sec < LEAST_SEC || held.length < 4) return null;
  const middle = quantile(held, 0.5);
  const midi = Math.round(middle);
  const third = Math.max(1, Math.floor(held.length / 3));
  return {
    midi,
    cents: (middle - midi) * 100,
    wander: ((quantile(held, 0.9) - quantile(held, 0.1)) * 100) / 2,
    slope: (quantile(held.slice(-third), 0.5) - quantile(held.slice(0, third), 0.5)) * 100,
    sec,
    from,
  };
}

/** @param {number} cents @returns {string} */
const cents = (cents) => `${Math.abs(Math.round(cents))} ${Math.abs(Math.round(cents)) === 1 ? "cent" : "cents"}`;

/**
 * What is said about a long tone.
 * @param {Tone} tone
 * @param {number | null} target sounding MIDI that was asked for; null: whatever was played
 * @param {number} transposition
 * @returns {string}
 */
export function longToneSentence(tone, target, transposition) {
  const heard = writtenName(tone.midi, transposition);
  const held = `held ${tone.sec.toFixed(1)} s`;
  if (target !== null && tone.midi !== target) {
    return `That was ${heard}, ${held}; asked for was ${writtenName(target, transposition)}.`;
  }
  const lies = Math.abs(tone.cents) < FINEST_CENTS ? "in tune" : `${cents(tone.cents)} ${tone.cents > 0 ? "sharp" : "flat"}`;
  const moved = Math.abs(tone.slope) < 2 * FINEST_CENTS ? "It stayed where it was" : `It ${tone.slope > 0 ? "rose" : "sank"} by ${cents(tone.slope)}`;
  return `${heard}, ${held}: ${lies}. ${moved}, wandering ${cents(Math.max(1, tone.wander))} either way.`;
}

/** The same note again after others: is it the same? */
export class ReturnCheck {
  /**
   * @param {number} target sounding MIDI
   * @param {number} transposition
   */
  constructor(target, transposition) {
    this.target = target;
    this.transposition = transposition;
    /** @type {Tone | null} */
    this.first = null;
    this.between = 0;
  }

  /** @returns {string} what to do next */
  get next() {
    const name = writtenName(this.target, this.transposition);
    if (!this.first) return `Play ${name} and hold it for a breath.`;
    return this.between === 0 ? "Remember it. Now play other notes." : `Now come back to ${name} and hold it.`;
  }

  /**
   * @param {Tone} tone that has ended
   * @returns {{cents: number, sentence: string} | null} the answer when it has come back
   */
  hear(tone) {
    if (tone.midi !== this.target) {
      if (this.first) this.between += 1;
      return null;
    }
    if (!this.first || this.between === 0) {
      this.first = tone;
      return null;
    }
    const off = tone.cents - this.first.cents;
    // Two readings, each as sure as its wandering lets it be.
    const doubt = Math.max(FINEST_CENTS, Math.hypot(tone.wander, this.first.wander) / 2);
    const name = writtenName(this.target, this.transposition);
    const after = this.between === 1 ? "one other note" : `${this.between} other notes`;
    this.first = null;
    this.between = 0;
    const same = Math.abs(off) <= doubt;
    const sentence = same
      ? `${name} came back the same after ${after}, within ${cents(Math.max(1, doubt))}.`
      : `${name} came back ${cents(off)} ${off > 0 ? "higher" : "lower"} after ${after}, give or take ${cents(doubt)}.`;
    return { cents: off, sentence };
  }
}
