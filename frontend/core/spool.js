/**
 * Recordings on this device until the server has them: chunks of about one second in IndexedDB, written while the
 * playing goes on, so that a closed browser loses at most the last second.
 *
 * When the device refuses to store (a full disk), recordings are kept in memory instead: they are sent all the same, as
 * long as this page stays open, and whoever writes is told.
 */

import { openDB } from "../vendor/idb.js";
import { sha256Of } from "./hash.js";
import { wavOf } from "./wav.js";

/**
 * @typedef {object} Spooled
 * @property {string} id the take's id, made here
 * @property {string} candidate_id
 * @property {string} blind_number
 * @property {string} piece_id
 * @property {string} piece_title
 * @property {string | null} replaces
 * @property {number} sample_rate_hz
 * @property {"recording" | "stopped"} state "recording" after a reload means: the browser went away meanwhile
 * @property {number} frames
 * @property {number} started_at ms since the epoch
 * @property {string} [refused] the server's sentence when it will never take this
 * @property {string} [kept_for] a purpose other than the recording room's: such a recording is sent by nobody but its own screen
 * @property {number | null} [marked_sec] how long the piece is as printed
 * @property {number | null} [shortest_sec] what playing of it lasts at least
 */
/** @typedef {{recording_id: string, seq: number, pcm: ArrayBuffer, sha256: string}} Chunk mono float32, little-endian */

const database = openDB("fairhearing-spool", 1, {
  upgrade(db) {
    db.createObjectStore("recording", { keyPath: "id" });
    db.createObjectStore("chunk", { keyPath: ["recording_id", "seq"] });
  },
});

/** @type {Map<string, Spooled>} what the device refused to store */
const recordingsInMemory = new Map();
/** @type {Map<string, Map<number, Chunk>>} */
const chunksInMemory = new Map();

/** @param {string} id */
const chunksOf = (id) => IDBKeyRange.bound([id, 0], [id, Infinity]);

/**
 * @param {"recording" | "chunk"} store
 * @param {Spooled | Chunk} row
 * @returns {Promise<boolean>} false: the device refused
 */
async function write(store, row) {
  try {
    const change = (await database).transaction(store, "readwrite", { durability: "strict" });
    await Promise.all([change.store.put(row), change.done]);
    return true;
  } catch (error) {
    if (!(error instanceof DOMException)) throw error;
    console.warn("This device refuses to store.", error.name);
    return false;
  }
}

/**
 * @param {Spooled} recording
 * @returns {Promise<boolean>} whether it outlives this page
 */
export async function save(recording) {
  const durable = await write("recording", recording);
  if (durable) recordingsInMemory.delete(recording.id);
  else recordingsInMemory.set(recording.id, recording);
  return durable;
}

/**
 * @param {string} [keptFor] the recording room's when left out
 * @returns {Promise<Spooled[]>} oldest first
 */
export async function list(keptFor) {
  const stored = /** @type {Spooled[]} */ (await (await database).getAll("recording"));
  const all = new Map(stored.map((recording) => [recording.id, recording]));
  for (const [id, recording] of recordingsInMemory) all.set(id, recording);
  return [...all.values()].filter((recording) => recording.kept_for === keptFor).sort((a, b) => a.started_at - b.started_at);
}

/**
 * @param {string} id
 * @returns {Promise<Spooled | undefined>}
 */
export async function get(id) {
  return recordingsInMemory.get(id) ?? (await (await database).get("recording", id));
}

/**
 * @param {string} id
 * @param {number} seq 0, 1, 2 ...
 * @param {ArrayBuffer} pcm mono float32
 * @returns {Promise<boolean>} whether it outlives this page
 */
export async function addChunk(id, seq, pcm) {
  const chunk = { recording_id: id, seq, pcm, sha256: await sha256Of(pcm) };
  const durable = await write("chunk", chunk);
  if (!durable) {
    const held = chunksInMemory.get(id) ?? new Map();
    chunksInMemory.set(id, held.set(seq, chunk));
  }
  return durable;
}

/**
 * @param {string} id
 * @param {number} seq
 * @returns {Promise<Chunk | undefined>}
 */
export async function chunkAt(id, seq) {
  return chunksInMemory.get(id)?.get(seq) ?? (await (await database).get("chunk", [id, seq]));
}

/**
 * @param {string} id
 * @returns {Promise<number[]>} numbers of the chunks that are here
 */
export async function chunkNumbers(id) {
  const keys = /** @type {[string, number][]} */ (await (await database).getAllKeys("chunk", chunksOf(id)));
  const all = [...keys.map(([, seq]) => seq), ...(chunksInMemory.get(id)?.keys() ?? [])];
  return [...new Set(all)].sort((a, b) => a - b);
}

/**
 * @param {string} id
 * @returns {Promise<number>} frames that are here
 */
export async function framesKept(id) {
  let frames = 0;
  for (const seq of await chunkNumbers(id)) frames += ((await chunkAt(id, seq))?.pcm.byteLength ?? 0) / 4;
  return frames;
}

/**
 * @param {Spooled} recording
 * @returns {Promise<Blob>} the whole take as a WAV file
 */
export async function asWav(recording) {
  const chunks = [];
  for (const seq of await chunkNumbers(recording.id)) chunks.push(/** @type {Chunk} */ (await chunkAt(recording.id, seq)).pcm);
  return wavOf(chunks, recording.sample_rate_hz);
}

/**
 * Remove a recording the server has, or one that a person threw away.
 * @param {string} id
 */
export async function drop(id) {
  recordingsInMemory.delete(id);
  chunksInMemory.delete(id);
  const change = (await database).transaction(["recording", "chunk"], "readwrite");
  await change.objectStore("chunk").delete(chunksOf(id));
  await change.objectStore("recording").delete(id);
  await change.done;
}

/**
 * The name of the lock a page holds while it records, so that another page of this device does not take the recording
 * for one whose browser went away.
 * @param {string} id
 */
export const lockName = (id) => `fairhearing-recording-${id}`;

/**
 * @param {Spooled} recording
 * @returns {Promise<boolean>} whether the browser went away in the middle of it
 */
export async function isBroken(recording) {
  if (recording.state !== "recording") return false;
  const held = (await navigator.locks?.query())?.held ?? [];
  return !held.some((lock) => lock.name === lockName(recording.id));
}

/**
 * Resolves when no page of this device records it any more: at once where none does.
 * @param {Spooled} recording
 */
export async function whenLeft(recording) {
  await navigator.locks?.request(lockName(recording.id), () => undefined);
}
