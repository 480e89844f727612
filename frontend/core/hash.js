/** Hashes of what is sent, so that it arrives as it was. Only where the address is secure, as the microphone is. */

import { hex } from "./ids.js";

/**
 * @param {ArrayBuffer} data
 * @returns {Promise<string>} 64 hexadecimal digits
 */
export async function sha256Of(data) {
  return hex(new Uint8Array(await crypto.subtle.digest("SHA-256", data)));
}
