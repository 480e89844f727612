/**
 * Sheets on their way to the server. A sheet is durable in IndexedDB before the screen calls it safe; it carries a
 * version id made here, so the server keeps it once however often it arrives.
 *
 * An entry leaves the box when the server has acknowledged it. One the server refuses for good stays, with its
 * sentence, until somebody has read it.
 */

import { openDB } from "../vendor/idb.js";
import { ApiError, call } from "./api.js";

/**
 * @typedef {object} Waiting
 * @property {number} [n] order of entry
 * @property {string} id version id
 * @property {string} owner adjudicator id
 * @property {string} candidate_id
 * @property {string} label what a person calls it: "number 27"
 * @property {string} path where it goes
 * @property {unknown} body
 * @property {number} at ms since the epoch
 * @property {string} [refused] the server's sentence when it will never take this
 */

const FIRST_WAIT_MS = 500; // our choice
const LONGEST_WAIT_MS = 15000; // our choice
const PATIENCE_MS = 8000; // our choice: a hung connection counts as none

const database = openDB("fairhearing-outbox", 1, {
  upgrade(db) {
    db.createObjectStore("waiting", { keyPath: "n", autoIncrement: true });
  },
});

/** @type {Set<() => void>} */
const listeners = new Set();
/** @type {(owner: string) => string | null} */
let tokenOf = () => null;
/** @type {Promise<void> | null} */
let running = null;
let timer = 0;
let waitMs = FIRST_WAIT_MS;
let lastTrouble = "";

const otherTabs = typeof BroadcastChannel === "undefined" ? null : new BroadcastChannel("fairhearing-outbox");
if (otherTabs) otherTabs.onmessage = () => tell(false);

/** @param {boolean} [everywhere] */
function tell(everywhere = true) {
  if (everywhere) otherTabs?.postMessage("changed");
  for (const listener of listeners) listener();
}

/**
 * Begin to send what waits, now and whenever the network comes back.
 * @param {(owner: string) => string | null} token the token of an adjudicator on this tablet
 */
export function start(token) {
  tokenOf = token;
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

/** @returns {Promise<Waiting[]>} oldest first */
export async function waiting() {
  return (await database).getAll("waiting");
}

/** @returns {string} why the last attempt failed, "" when it did not */
export function trouble() {
  return lastTrouble;
}

/**
 * Put a sheet in the box; resolves once it is durable on this device.
 * @param {Omit<Waiting, "n" | "at">} entry
 */
export async function put(entry) {
  const db = await database;
  const change = db.transaction("waiting", "readwrite", { durability: "strict" });
  await change.store.add({ ...entry, at: Date.now() });
  await change.done;
  tell();
  hurry();
}

/**
 * Take a refused sheet out of the box.
 * @param {string} id
 */
export async function dismiss(id) {
  const db = await database;
  for (const entry of await db.getAll("waiting")) if (entry.id === id) await db.delete("waiting", entry.n);
  tell();
}

/** Try now. */
export function hurry() {
  waitMs = FIRST_WAIT_MS;
  void run();
}

/** @returns {Promise<void>} */
function run() {
  if (running) return running;
  clearTimeout(timer);
  const once = () => sendAll();
  // Two tabs of one tablet take turns where the browser can arbitrate; elsewhere the version id keeps it harmless.
  const turn = navigator.locks ? navigator.locks.request("fairhearing-outbox", once) : once();
  running = Promise.resolve(turn)
    .then(() => {
      waitMs = FIRST_WAIT_MS;
      lastTrouble = "";
    })
    .catch((error) => {
      lastTrouble = error instanceof ApiError ? error.sentence : String(error);
      timer = setTimeout(run, waitMs);
      waitMs = Math.min(waitMs * 2, LONGEST_WAIT_MS);
    })
    .finally(() => {
      running = null;
      tell(false);
    });
  return running;
}

async function sendAll() {
  const db = await database;
  for (const entry of /** @type {Waiting[]} */ (await db.getAll("waiting"))) {
    if (entry.refused) continue;
    const token = tokenOf(entry.owner);
    const patience = new AbortController();
    const clock = setTimeout(() => patience.abort(), PATIENCE_MS);
    try {
      await call("POST", entry.path, entry.body, { token, signal: patience.signal });
      await db.delete("waiting", /** @type {number} */ (entry.n));
      tell();
    } catch (error) {
      if (!(error instanceof ApiError)) throw new ApiError("The server takes too long to answer.");
      if (error.passing || error.status === 401) throw error;
      await db.put("waiting", { ...entry, refused: error.sentence });
      tell();
    } finally {
      clearTimeout(clock);
    }
  }
}
