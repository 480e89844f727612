/** How far a recording is on its way, in words. */

/**
 * @param {import("../../core/sending.js").Way | null} way
 * @returns {string}
 */
export function wayText(way) {
  if (!way) return "Safe on this device. Waiting for its turn …";
  if (way.phase === "checking") return "All of it is on the server. The take is being checked …";
  const share = way.chunks ? `${way.sent} of ${way.chunks} seconds are on the server` : "Nothing is on the server yet";
  if (way.phase === "waiting") return `${way.sentence} The recording is safe on this device and is sent as soon as it does. ${share}.`;
  return `Sending: ${share}.`;
}
