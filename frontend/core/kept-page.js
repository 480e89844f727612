/**
 * What a student's page has shown, kept on this device so that it opens without a network. It belongs to one private
 * link: when the server says that the link is no longer good, all of it goes.
 */

import { openDB } from "../vendor/idb.js";
import { ApiError, call, fetchBlob } from "./api.js";

const SECRET = "fairhearing.student";
const NOT_KEPT = "There is no network, and this device has not kept this part. Open it once while the network is there.";

let forgotten = ""; // nothing that is still coming in is kept any more

const database = openDB("fairhearing-student", 1, {
  upgrade(db) {
    db.createObjectStore("kept");
  },
});

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
 * Ask the server; without it, give what was kept.
 * @template T
 * @param {string} secret
 * @param {string} path
 * @param {() => Promise<T>} ask
 * @returns {Promise<{value: T, old: boolean}>} old: from this device
 */
async function freshOrKept(secret, path, ask) {
  try {
    const value = await ask();
    await keep(secret, path, value);
    return { value, old: false };
  } catch (error) {
    if (!(error instanceof ApiError)) throw error;
    if (error.status === 401) await forget(secret);
    if (!error.passing) throw error;
    const kept = await (await database).get("kept", `${secret} ${path}`);
    if (kept === undefined) throw error.status === 0 ? new ApiError(NOT_KEPT) : error;
    return { value: kept, old: true };
  }
}

/**
 * @param {string} secret
 * @param {string} path
 * @param {unknown} value
 */
async function keep(secret, path, value) {
  if (secret === forgotten) return;
  try {
    await (await database).put("kept", value, `${secret} ${path}`);
  } catch (error) {
    // A full disk: the page works all the same while the network is there.
    if (!(error instanceof DOMException)) throw error;
    console.info("This device refuses to keep the page.", error.name);
  }
}

/**
 * @param {string} secret
 * @param {string} path
 */
export const keptJson = (secret, path) => freshOrKept(secret, path, () => call("GET", path, undefined, { token: secret }));

/**
 * Sound never changes under its address, so what is kept is not asked for again.
 * @param {string} secret
 * @param {string} path
 * @returns {Promise<Blob>}
 */
export async function keptSound(secret, path) {
  const there = await (await database).get("kept", `${secret} ${path}`);
  if (there instanceof ArrayBuffer) return new Blob([there], { type: "audio/wav" });
  const { value } = await freshOrKept(secret, path, async () => (await fetchBlob(path, { token: secret })).arrayBuffer());
  return new Blob([value], { type: "audio/wav" });
}

/**
 * Let go of recordings that are not on the page any more: what the school has destroyed goes from here as well.
 * @param {string} secret
 * @param {string[]} takeIds those that are
 */
export async function keepOnlyTakes(secret, takeIds) {
  const db = await database;
  const start = `${secret} /api/student/takes/`;
  const gone = (await db.getAllKeys("kept")).map(String).filter((key) => key.startsWith(start) && !takeIds.some((id) => key.startsWith(`${start}${id}/`)));
  await Promise.all(gone.map((key) => db.delete("kept", key)));
}

/**
 * Let go of everything this device has of one link, so that who uses it next finds nothing.
 * @param {string} secret
 */
export async function forget(secret) {
  forgotten = secret;
  if (localStorage.getItem(SECRET) === secret) localStorage.removeItem(SECRET);
  const db = await database;
  const keys = await db.getAllKeys("kept");
  await Promise.all(keys.filter((key) => String(key).startsWith(`${secret} `)).map((key) => db.delete("kept", key)));
}
