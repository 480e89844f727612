/** Takes handed in as files. Recordings made here go another way: see `sending.js`. */

import { upload } from "./api.js";

/**
 * @param {{id: string, candidate_id: string, piece_id: string, replaces?: string | null}} take
 * @param {Blob} sound
 * @param {string} fileName
 * @param {{token?: string | null, onProgress?: (share: number) => void}} options
 * @returns {Promise<any>} the server's answer, with the take's quality
 */
export function sendTake(take, sound, fileName, options) {
  const form = new FormData();
  form.append("id", take.id);
  form.append("candidate_id", take.candidate_id);
  form.append("piece_id", take.piece_id);
  if (take.replaces) form.append("replaces", take.replaces);
  form.append("file", sound, fileName);
  return upload("/api/takes", form, options);
}
