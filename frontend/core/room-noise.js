/** How far the room lies under the playing, and what that means. Levels are dBFS of blocks of about 50 ms. */

const FINE_DB = 30; // our choice: soft notes lie some 20 dB under loud ones and still clear the room
const USABLE_DB = 20; // our choice: less and the server finds quiet notes doubtful as well

/** @typedef {{quiet: number[], playing: number[]}} Heard block levels in dBFS */

/**
 * @param {number[]} levels dBFS
 * @param {number} share 0 to 1
 * @returns {number}
 */
export function quantile(levels, share) {
  const sorted = [...levels].sort((a, b) => a - b);
  return sorted[Math.min(sorted.length - 1, Math.floor(share * sorted.length))];
}

/**
 * @param {Heard} heard
 * @returns {{marginDb: number, word: "fine" | "usable" | "poor" | "none", sentence: string}}
 */
export function roomVerdict({ quiet, playing }) {
  // The median of the quiet: one cough does not count. The upper quarter of the playing: its loud notes, not its rests.
  const room = quantile(quiet, 0.5);
  const loud = quantile(playing, 0.75);
  const marginDb = Math.round(loud - room);
  if (room < -95) return { marginDb, word: "none", sentence: "The microphone gives digital silence between notes: something on this device cuts quiet sound off. Look for noise suppression or a gate and switch it off." };
  if (marginDb < 6) return { marginDb, word: "none", sentence: "No playing was heard above the room. Check that the right microphone is chosen, then try again." };
  const start = `The room is ${marginDb} dB below your playing`;
  if (marginDb >= FINE_DB) return { marginDb, word: "fine", sentence: `${start}: fine.` };
  if (marginDb >= USABLE_DB) return { marginDb, word: "usable", sentence: `${start}: usable, but soft notes come close to the noise. Close doors and windows, or move the microphone nearer.` };
  return { marginDb, word: "poor", sentence: `${start}: too little. Find the noise (ventilation, hallway), close doors, or move the microphone nearer.` };
}
