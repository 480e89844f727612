/** Words and times of the audition day. */

export const STATE_WORDS = { expected: "expected", present: "here", late: "late", absent: "absent", withdrawn: "withdrawn", "no-show": "no-show", heard: "heard" };
export const STAGE_WORDS = { out: "", played: "has played", "in the room": "in the room", "on deck": "next", "warm up": "warms up", waits: "waits" };

/**
 * The time by the day's own clock, whatever this device's is set to.
 * @param {string | null | undefined} iso
 * @param {string | null | undefined} startsAt with the day's offset
 * @returns {string} "09:40"
 */
export function clockText(iso, startsAt) {
  if (!iso) return "";
  const at = new Date(new Date(iso).getTime() + offsetMinutes(startsAt) * 60_000);
  return `${String(at.getUTCHours()).padStart(2, "0")}:${String(at.getUTCMinutes()).padStart(2, "0")}`;
}

/** @param {string | null | undefined} iso @returns {number} minutes east of UTC */
export function offsetMinutes(iso) {
  const found = /([+-])(\d\d):(\d\d)$/.exec(iso ?? "");
  if (!found) return 0;
  return (found[1] === "-" ? -1 : 1) * (Number(found[2]) * 60 + Number(found[3]));
}

/**
 * A clock time on the audition's day, with this device's offset.
 * @param {string} day "2026-03-14"
 * @param {string} clock "09:00"
 * @returns {string} "2026-03-14T09:00:00-06:00"
 */
export function momentOf(day, clock) {
  const east = -new Date(`${day}T${clock}`).getTimezoneOffset();
  const size = Math.abs(east);
  return `${day}T${clock}:00${east < 0 ? "-" : "+"}${String(Math.floor(size / 60)).padStart(2, "0")}:${String(size % 60).padStart(2, "0")}`;
}

/** @param {number | null | undefined} minutes @returns {string} */
export function behindText(minutes) {
  if (minutes === null || minutes === undefined) return "";
  const whole = Math.round(minutes);
  if (Math.abs(whole) < 2) return "on time";
  return whole > 0 ? `${whole} minutes behind` : `${-whole} minutes ahead`;
}
