/**
 * A student's files on their way to the server: in pieces, each with its hash, so that a broken connection costs
 * seconds. What was begun with the same file goes on where it stopped, after a reload too.
 */

import { ApiError, call } from "./api.js";
import { sha256Of } from "./hash.js";
import { newId } from "./ids.js";

const CHUNK_BYTES = 1024 * 1024; // our choice: some seconds on a slow line
const MOST_TRIES = 6; // our choice: about a minute without a network, then the student is asked
const FIRST_WAIT_MS = 1000; // our choice
const SECRET = "fairhearing.hand-in";
const BEGUN = "fairhearing.hand-in.begun ";

/** @returns {string} the secret of the address, else of the last visit; "" when there is none */
export function secretHere() {
  const given = decodeURIComponent(location.hash.slice(1)).trim();
  return given || localStorage.getItem(SECRET) || "";
}

/** @param {string} secret a link that was good */
export function remember(secret) {
  localStorage.setItem(SECRET, secret);
}

/**
 * How far the server's clock is ahead of this device's. Half of the time the answer took is taken to be its way back.
 * @param {number} askedAt this device's clock, in milliseconds
 * @param {number} answeredAt
 * @param {string} serverNow as the server said
 * @returns {number} milliseconds
 */
export const clockAhead = (askedAt, answeredAt, serverNow) => new Date(serverNow).getTime() - (askedAt + answeredAt) / 2;

/**
 * @param {number} leftMs
 * @returns {string} "2 days 3 hours", "4 minutes", "less than a minute"
 */
export function leftText(leftMs) {
  const minutes = Math.floor(leftMs / 60_000);
  const parts = [
    [Math.floor(minutes / 1440), "day"],
    [Math.floor((minutes % 1440) / 60), "hour"],
    [minutes % 60, "minute"],
  ].filter(([count]) => Number(count) > 0);
  if (leftMs <= 0) return "no time";
  if (parts.length === 0) return "less than a minute";
  return parts
    .slice(0, 2)
    .map(([count, word]) => `${count} ${word}${count === 1 ? "" : "s"}`)
    .join(" ");
}

/**
 * @param {string} moment as the server said
 * @param {string} zone a name of the IANA time zone database
 * @returns {string} on that zone's clocks, in this browser's language
 */
export const onClocksOf = (moment, zone) =>
  new Date(moment).toLocaleString(undefined, { timeZone: zone, weekday: "short", day: "numeric", month: "long", hour: "2-digit", minute: "2-digit" });

/** @returns {string} this device's zone */
export const ownZone = () => Intl.DateTimeFormat().resolvedOptions().timeZone;

/**
 * Send a file; goes on with what was begun. Resolves with the page as it is afterwards.
 * @param {string} secret
 * @param {string} pieceId
 * @param {File} file
 * @param {(share: number) => void} onProgress from 0 to 1
 * @returns {Promise<any>}
 */
export async function handIn(secret, pieceId, file, onProgress) {
  const key = `${BEGUN}${pieceId} ${file.size} ${file.lastModified} ${file.name}`;
  const id = localStorage.getItem(key) ?? newId();
  localStorage.setItem(key, id);
  const chunks = Math.max(1, Math.ceil(file.size / CHUNK_BYTES));
  const options = { token: secret };
  try {
    const here = await patiently(() => call("PUT", `/api/hand-in/files/${id}`, { piece_id: pieceId, file_name: file.name.slice(-255), size_bytes: file.size }, options));
    const there = new Set(here.taken ? Array.from({ length: chunks }, (_, seq) => seq) : here.chunks);
    for (let seq = 0; seq < chunks; seq += 1) {
      onProgress(there.size / chunks);
      if (there.has(seq)) continue;
      const data = await file.slice(seq * CHUNK_BYTES, (seq + 1) * CHUNK_BYTES).arrayBuffer();
      const headers = { "X-Chunk-Sha256": await sha256Of(data) };
      await patiently(() => call("PUT", `/api/hand-in/files/${id}/chunks/${seq}`, data, { ...options, headers }));
      there.add(seq);
    }
    onProgress(1);
    const page = await patiently(() => call("POST", `/api/hand-in/files/${id}/finish`, { chunks }, options));
    localStorage.removeItem(key);
    return page;
  } catch (error) {
    // A file that was refused is not gone on with; one that broke off is.
    if (error instanceof ApiError && !error.passing) localStorage.removeItem(key);
    throw error;
  }
}

/**
 * Ask again while the network is away for a moment.
 * @template T
 * @param {() => Promise<T>} ask
 * @returns {Promise<T>}
 */
async function patiently(ask) {
  for (let tries = 1; ; tries += 1) {
    try {
      return await ask();
    } catch (error) {
      if (!(error instanceof ApiError) || !error.passing || tries >= MOST_TRIES) throw error;
      await new Promise((resolve) => setTimeout(resolve, FIRST_WAIT_MS * 2 ** (tries - 1)));
    }
  }
}
