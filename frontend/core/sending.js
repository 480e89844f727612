/**
 * Recordings on their way to the server, while they are made and after. One recording after another, one chunk after
 * another; every step may be repeated, so after any interruption (network, server, reload) it simply goes on. A
 * recording leaves this device only when the server has named the hash of the whole.
 */

import { ApiError, call } from "./api.js";
import { sha256Of } from "./hash.js";
import * as spool from "./spool.js";

/**
 * @typedef {object} Way how far a recording is
 * @property {"sending" | "checking" | "waiting" | "refused"} phase
 * @property {number} sent chunks the server has
 * @property {number} chunks chunks there are here
 * @property {string} sentence what keeps it, "" when nothing does
 */

const FIRST_WAIT_MS = 500; // our choice
const LONGEST_WAIT_MS = 8000; // our choice: a candidate stands in the room
const CHUNK_PATIENCE_MS = 15_000; // our choice: a hung connection counts as none
const FINISH_PATIENCE_MS = 180_000; // our choice: the server looks at the whole take meanwhile
const MOST_REPAIRS = 5; // our choice: chunks that come damaged again and again point to a broken device

/** @type {string | null} */
let token = null;
let started = false;
/** @type {Map<string, Way>} */
const ways = new Map();
/** @type {Map<string, Set<number>>} chunks the server has, by recording; absent: not begun in this page */
const onServer = new Map();
/** @type {Set<() => void>} */
const listeners = new Set();
/** @type {Set<(recording: spool.Spooled, take: any) => void>} */
const receivers = new Set();
/** @type {Promise<void> | null} */
let running = null;
let again = false;
let timer = 0;
let waitMs = FIRST_WAIT_MS;

/**
 * Begin to send what is here, now and whenever the network comes back.
 * @param {string | null} ownToken of this tablet; null: a leader's cookie
 */
export function start(ownToken) {
  token = ownToken;
  started = true;
  addEventListener("online", hurry);
  addEventListener("pageshow", hurry);
  hurry();
}

/**
 * @param {() => void} listener called after every change
 * @returns {() => void} stops listening
 */
export function onChange(listener) {
  listeners.add(listener);
  return () => listeners.delete(listener);
}

/**
 * @param {(recording: spool.Spooled, take: any) => void} receiver called when the server has a whole recording
 * @returns {() => void} stops listening
 */
export function onArrived(receiver) {
  receivers.add(receiver);
  return () => receivers.delete(receiver);
}

/**
 * @param {string} id
 * @returns {Way | null} null: nothing was tried yet
 */
export const wayOf = (id) => ways.get(id) ?? null;

/** Try now; where sending was not begun, as on screens that hand in otherwise, nothing happens. */
export function hurry() {
  if (!started) return;
  waitMs = FIRST_WAIT_MS;
  clearTimeout(timer);
  if (running) again = true;
  else void run();
}

/** Something grew: send it, but not against a server that does not answer. */
export function grown() {
  if (!started) return;
  if (running) again = true;
  else if (!timer) void run();
}

/**
 * Send a refused recording once more.
 * @param {spool.Spooled} recording
 */
export async function retry(recording) {
  ways.delete(recording.id);
  await spool.save({ ...recording, state: "stopped", frames: await spool.framesKept(recording.id), refused: undefined });
  hurry();
}

/**
 * Throw a recording away, here and what the server has of it.
 * @param {string} id
 */
export async function throwAway(id) {
  await spool.drop(id);
  ways.delete(id);
  if (onServer.delete(id)) {
    // Left over on the server it harms nothing: it is shown there as never finished.
    await call("DELETE", `/api/uploads/${id}`, undefined, { token }).catch(() => null);
  }
}

/** @returns {Promise<void>} */
function run() {
  timer = 0;
  running = (async () => {
    try {
      do {
        again = false;
        for (const recording of await spool.list()) {
          const hopeless = recording.refused || (recording.state === "recording" && ways.get(recording.id)?.phase === "refused");
          if (!hopeless && !(await spool.isBroken(recording))) await sendOne(recording);
        }
      } while (again);
      waitMs = FIRST_WAIT_MS;
    } catch (error) {
      if (!(error instanceof ApiError)) console.error(error);
      timer = setTimeout(run, waitMs);
      waitMs = Math.min(waitMs * 2, LONGEST_WAIT_MS);
    } finally {
      running = null;
    }
  })();
  return running;
}

/**
 * @param {string} id
 * @param {Partial<Way>} change
 */
function note(id, change) {
  ways.set(id, { ...(ways.get(id) ?? { phase: "sending", sent: 0, chunks: 0, sentence: "" }), ...change });
  for (const listener of listeners) listener();
}

/**
 * Send what is here of one recording; throws what a later attempt may cure.
 * @param {spool.Spooled} recording
 */
async function sendOne(recording) {
  try {
    await advance(recording);
  } catch (error) {
    if (!(error instanceof ApiError)) throw error;
    if (error.passing || error.status === 401) {
      note(recording.id, { phase: "waiting", sentence: error.status === 0 ? "The server does not answer." : error.sentence });
      throw error;
    }
    // A place that is taken shows while the playing goes on: recording continues here, and a person decides.
    const now = await spool.get(recording.id);
    note(recording.id, { phase: "refused", sentence: error.sentence });
    if (now?.state === "stopped") {
      await spool.save({ ...now, refused: error.sentence });
      note(recording.id, {});
    }
  }
}

/** @param {spool.Spooled} recording */
async function advance(recording) {
  const { id } = recording;
  const place = { candidate_id: recording.candidate_id, piece_id: recording.piece_id, sample_rate_hz: recording.sample_rate_hz };
  for (let repairs = 0; ; repairs += 1) {
    try {
      const begun = onServer.has(id) ? null : await ask("PUT", `/api/uploads/${id}`, place, CHUNK_PATIENCE_MS);
      if (begun) onServer.set(id, new Set(begun.chunks));
      const numbers = await sendChunks(id);
      const now = await spool.get(id);
      if (!now || now.state !== "stopped") return;
      if (numbers.length === 0) throw new ApiError("Nothing was recorded. Throw this attempt away and record again.", { status: 422 });
      await finish(now, place, numbers.length);
      return;
    } catch (error) {
      if (!(error instanceof ApiError) || repairs >= MOST_REPAIRS) throw error;
      const { missing, begin_again: beginAgain, damaged } = error.facts;
      if (Array.isArray(missing)) missing.forEach((seq) => onServer.get(id)?.delete(seq));
      else if (beginAgain) onServer.delete(id);
      else if (!damaged) throw error;
    }
  }
}

/**
 * @param {string} id
 * @returns {Promise<number[]>} the numbers of all chunks there are here; the server has them
 */
async function sendChunks(id) {
  const there = onServer.get(id) ?? new Set();
  for (;;) {
    const numbers = await spool.chunkNumbers(id);
    const next = numbers.find((seq) => !there.has(seq));
    const sent = numbers.filter((seq) => there.has(seq)).length;
    note(id, { phase: "sending", chunks: numbers.length, sent, sentence: "" });
    if (next === undefined) return numbers;
    const chunk = await spool.chunkAt(id, next);
    if (!chunk) return numbers;
    const answer = await ask("PUT", `/api/uploads/${id}/chunks/${next}`, chunk.pcm, CHUNK_PATIENCE_MS, {
      "X-Chunk-Sha256": chunk.sha256,
    });
    if (answer.sha256 === chunk.sha256) there.add(next);
    waitMs = FIRST_WAIT_MS;
  }
}

/**
 * @param {spool.Spooled} recording
 * @param {Record<string, unknown>} place
 * @param {number} chunks
 */
async function finish(recording, place, chunks) {
  const { id } = recording;
  note(id, { phase: "checking", chunks, sent: chunks });
  const sha256 = await sha256Of(await (await spool.asWav(recording)).arrayBuffer());
  const { take } = await ask("POST", `/api/uploads/${id}/finish`, { ...place, chunks, sha256, replaces: recording.replaces }, FINISH_PATIENCE_MS);
  if (take.sha256 !== sha256) throw new ApiError("The server has another recording under this number. Nothing was thrown away here.", { status: 409 });
  await spool.drop(id);
  onServer.delete(id);
  ways.delete(id);
  for (const receiver of receivers) receiver(recording, take);
  for (const listener of listeners) listener();
}

/**
 * @param {string} method
 * @param {string} path
 * @param {unknown} body
 * @param {number} patienceMs
 * @param {Record<string, string>} [headers]
 */
async function ask(method, path, body, patienceMs, headers) {
  const patience = new AbortController();
  const clock = setTimeout(() => patience.abort(), patienceMs);
  try {
    return await call(method, path, body, { token, headers, signal: patience.signal });
  } catch (error) {
    if (error instanceof ApiError) throw error;
    if (patience.signal.aborted) throw new ApiError("The server takes too long to answer.");
    throw error;
  } finally {
    clearTimeout(clock);
  }
}
