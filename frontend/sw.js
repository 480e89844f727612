/**
 * Keeps the screens working without a network after the first visit. Nothing under /api is ever kept.
 *
 * The server writes the list of files with their hashes and a version in front of this script, so any change makes a
 * new worker. A version is kept whole or not at all: each file must have its hash, and pages get all their files from
 * one version. A new version waits until a person takes it, or until the last page is closed.
 */

/** @typedef {{version: string, files: Record<string, string>}} Listed files: path to sha256 */
const worker = /** @type {ServiceWorkerGlobalScope & {fairhearing: Listed}} */ (/** @type {unknown} */ (self));
const { version, files } = worker.fairhearing;
const NAME_START = "fairhearing-";
const KEPT = NAME_START + version;
const AT_ONCE = 6; // our choice: a school's network is slow enough

/** @param {ArrayBuffer} data */
async function sha256Of(data) {
  const digest = new Uint8Array(await crypto.subtle.digest("SHA-256", data));
  return Array.from(digest, (byte) => byte.toString(16).padStart(2, "0")).join("");
}

/**
 * @param {Response | undefined} answer
 * @param {string} sha256
 */
async function hasHash(answer, sha256) {
  return answer?.ok === true && (await sha256Of(await answer.clone().arrayBuffer())) === sha256;
}

/**
 * Keep one file: what an earlier version has of it, or fresh from the server.
 * @param {Cache} cache
 * @param {string} path
 */
async function keep(cache, path) {
  const earlier = await caches.match(path);
  if (earlier && (await hasHash(earlier, files[path]))) {
    await cache.put(path, earlier);
    return;
  }
  const fresh = await fetch(path, { cache: "no-cache" });
  if (!(await hasHash(fresh, files[path]))) throw new Error(`${path} is not what the list says; the next visit tries again`);
  await cache.put(path, fresh);
}

async function keepAll() {
  const cache = await caches.open(KEPT);
  const waiting = Object.keys(files);
  const work = async () => {
    for (let path = waiting.pop(); path !== undefined; path = waiting.pop()) await keep(cache, path);
  };
  await Promise.all(Array.from({ length: AT_ONCE }, work));
}

async function forgetOthers() {
  const names = await caches.keys();
  await Promise.all(names.filter((name) => name.startsWith(NAME_START) && name !== KEPT).map((name) => caches.delete(name)));
  await worker.clients.claim();
}

worker.addEventListener("install", (event) => event.waitUntil(keepAll()));
worker.addEventListener("activate", (event) => event.waitUntil(forgetOthers()));
worker.addEventListener("message", (event) => {
  if (event.data === "take over") void worker.skipWaiting();
});

worker.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== worker.location.origin) return;
  const path = url.pathname === "/" ? "/index.html" : url.pathname;
  if (!Object.hasOwn(files, path)) return;
  event.respondWith(
    caches.open(KEPT).then(async (cache) => (await cache.match(path)) ?? fetch(request)),
  );
});
