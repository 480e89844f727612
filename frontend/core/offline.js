/** Asks the browser to keep the screens, and what was entered, for when there is no network. */

/** @type {Set<() => void>} */
const listeners = new Set();
/** @type {ServiceWorkerRegistration | null} */
let registration = null;

/** @returns {boolean} whether a newer version of the screens is here and waits to be taken */
export const newerIsReady = () => Boolean(registration?.waiting && registration.active);

/**
 * @param {() => void} listener called when a newer version has come
 * @returns {() => void} stops listening
 */
export function onNewer(listener) {
  listeners.add(listener);
  return () => listeners.delete(listener);
}

/**
 * Where the address is not secure the browser refuses, and the screens work only while the server answers.
 * @returns {Promise<boolean>} whether the screens are kept
 */
export async function keepScreens() {
  if (!globalThis.isSecureContext || !navigator.serviceWorker) return false;
  try {
    registration = await navigator.serviceWorker.register("/sw.js");
    const tell = () => listeners.forEach((listener) => listener());
    registration.addEventListener("updatefound", () => registration?.installing?.addEventListener("statechange", tell));
    tell();
    // Without this the browser may clear what waits here when its disk runs full.
    await navigator.storage?.persist?.();
    return true;
  } catch (error) {
    console.info("The screens can't be kept for use without a network.", error);
    return false;
  }
}

/** Take the newer version; the page is loaded anew, with what was entered. */
export function takeNewer() {
  navigator.serviceWorker.addEventListener("controllerchange", () => location.reload(), { once: true });
  registration?.waiting?.postMessage("take over");
}
