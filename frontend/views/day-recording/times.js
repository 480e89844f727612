/** Times in a long recording: seconds from its start as people write them, and by the clock where the start is known. */

/**
 * @param {number} sec
 * @returns {string} "1:02:03" or "2:03"
 */
export function longClock(sec) {
  const whole = Math.floor(sec + 0.0001);
  const hours = Math.floor(whole / 3600);
  const minutes = Math.floor((whole % 3600) / 60);
  const seconds = String(whole % 60).padStart(2, "0");
  return hours ? `${hours}:${String(minutes).padStart(2, "0")}:${seconds}` : `${minutes}:${seconds}`;
}

/**
 * @param {number} sec
 * @returns {string} "1:02:03.45", to be typed over
 */
export const exactClock = (sec) => `${longClock(sec)}.${String(Math.round((sec % 1) * 100) % 100).padStart(2, "0")}`;

/**
 * @param {string} text "1:02:03.4", "2:03" or "75"
 * @returns {number} seconds, NaN when it is none
 */
export function secondsOf(text) {
  const parts = text.trim().replace(",", ".").split(":");
  if (parts.length > 3 || parts.some((part) => !/^\d+(\.\d*)?$/.test(part))) return NaN;
  return parts.reduce((sum, part) => sum * 60 + Number(part), 0);
}

/**
 * @param {string | null} startedAt
 * @param {number} sec
 * @returns {string} "10:42:05" by the clock on the wall, "" when the start is not known
 */
export function wallClock(startedAt, sec) {
  if (!startedAt) return "";
  return new Date(new Date(startedAt).getTime() + sec * 1000).toLocaleTimeString(undefined, { hour: "2-digit", minute: "2-digit", second: "2-digit" });
}

/**
 * @param {string | null} iso
 * @returns {string} for an input of type datetime-local, in this device's zone
 */
export function localInput(iso) {
  if (!iso) return "";
  const at = new Date(iso);
  return new Date(at.getTime() - at.getTimezoneOffset() * 60_000).toISOString().slice(0, 19);
}

/**
 * @param {string} text of an input of type datetime-local
 * @returns {string | null} with its zone
 */
export const fromLocalInput = (text) => (text ? new Date(text).toISOString() : null);
