/** Written pitches as people read them. */

/**
 * @param {string} written "Bb4", "F#5", "Ebb3"
 * @returns {string} "B♭4", "F♯5", "E♭♭3"
 */
export function pitchText(written) {
  return written.replaceAll("#", "♯").replace(/^([A-G])(b+)/, (_, letter, flats) => letter + "♭".repeat(flats.length));
}
