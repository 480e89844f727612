/**
 * The long file of a day on its way to the server: in parts, so that it goes on where it stopped, also after a reload or
 * from another device with the same file.
 */

import { ApiError, call } from "./api.js";
import { newId } from "./ids.js";

const FIRST_WAIT_MS = 1000; // our choice: doubled up to the longest
const LONGEST_WAIT_MS = 30_000;
const PLACE = "fairhearing.day.";

/** @typedef {{round_id: string, room_id: string | null, started_at: string | null}} Where */

/**
 * The same file for the same round keeps its id on this device, so choosing it again goes on.
 * @param {File} file
 * @param {string} roundId
 * @returns {{id: string, forget: () => void}}
 */
function idFor(file, roundId) {
  const place = `${PLACE}${roundId}.${file.size}.${file.lastModified}`;
  const id = localStorage.getItem(place) ?? newId();
  localStorage.setItem(place, id);
  return { id, forget: () => localStorage.removeItem(place) };
}

/**
 * Send a long file whole. Waits out a network that is away.
 * @param {File} file
 * @param {Where} where
 * @param {{token: string | null, signal: AbortSignal, onShare: (share: number, sentence: string) => void}} options share from 0 to 1
 * @returns {Promise<any>} the recording as the server shows it
 */
export async function sendDay(file, where, { token, signal, onShare }) {
  const { id, forget } = idFor(file, where.round_id);
  const address = `/api/day-recordings/${id}`;
  const body = { ...where, size_bytes: file.size };
  let waitMs = FIRST_WAIT_MS;
  for (;;) {
    try {
      const coming = await call("PUT", address, body, { token, signal });
      const there = new Set(coming.parts);
      const count = coming.arrived ? 0 : Math.ceil(file.size / coming.part_bytes);
      for (let seq = 0; seq < count; seq += 1) {
        onShare(seq / count, "");
        if (there.has(seq)) continue;
        const part = await file.slice(seq * coming.part_bytes, (seq + 1) * coming.part_bytes).arrayBuffer();
        await call("PUT", `${address}/parts/${seq}`, part, { token, signal });
        waitMs = FIRST_WAIT_MS;
      }
      onShare(1, "");
      const shown = await call("POST", `${address}/finish`, body, { token, signal });
      forget();
      return shown;
    } catch (error) {
      if (!(error instanceof ApiError) || !error.passing) {
        if (error instanceof ApiError && error.code === "duplicate") forget();
        throw error;
      }
      onShare(NaN, `${error.sentence} Sending goes on by itself.`);
      await pause(waitMs, signal);
      waitMs = Math.min(LONGEST_WAIT_MS, waitMs * 2);
    }
  }
}

/**
 * @param {number} ms
 * @param {AbortSignal} signal
 * @returns {Promise<void>}
 */
function pause(ms, signal) {
  return new Promise((resolve, reject) => {
    const timer = setTimeout(resolve, ms);
    signal.addEventListener("abort", () => {
      clearTimeout(timer);
      reject(new DOMException("stopped", "AbortError"));
    });
  });
}
