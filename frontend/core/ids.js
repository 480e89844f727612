/** Random ids made on this device, so that sending something twice is harmless. */

/**
 * A random version-4 UUID as 32 lower-case hexadecimal digits. Works without a secure context, where
 * `crypto.randomUUID` is missing.
 * @returns {string}
 */
export function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  return hex(bytes);
}

/**
 * @param {Uint8Array} bytes
 * @returns {string} two hexadecimal digits a byte
 */
export function hex(bytes) {
  return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
}
