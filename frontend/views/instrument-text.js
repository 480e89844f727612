/** Instrument keys as people read them, for screens that are given no table of names. */

const KEYS = { bb: "B♭", eb: "E♭", a: "A", f: "F", c: "C" };

/**
 * @param {string} key "clarinet-bb", "sax-alto", "bass-clarinet"
 * @returns {string} "clarinet in B♭", "alto sax", "bass clarinet"
 */
export function instrumentText(key) {
  const words = key.split("-");
  const pitch = KEYS[/** @type {keyof typeof KEYS} */ (words[words.length - 1])];
  if (words.length > 1 && pitch) return `${words.slice(0, -1).join(" ")} in ${pitch}`;
  if (words[0] === "sax") return `${words.slice(1).join(" ")} sax`;
  return words.join(" ");
}
