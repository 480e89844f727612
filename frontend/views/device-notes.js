/** What this device can't do at this address, said plainly; and that a newer version is here. */

import { call } from "../core/api.js";
import { keepScreens, newerIsReady, onNewer, takeNewer } from "../core/offline.js";
import { html } from "../vendor/htm-preact.js";
import { useEffect, useState } from "../vendor/hooks.js";

/** @type {Record<string, string>} what does not work where the address is not secure, by screen */
const WITHOUT = {
  leader: "This address is not secure: passwords and names travel readably through this network.",
  room: "This address is not secure: the browser gives no microphone here, so takes can only be handed in as files.",
  panel: "This address is not secure: this screen can't be opened again while there is no network. Marks already entered are kept and sent by themselves.",
  student: "This address is not secure: the check through the microphone does not work here, and this page can't be opened without the network.",
};
const ANYWHERE = "This address is not secure: no microphone, and nothing can be opened without the network.";

/** One sentence where the address is not secure, with the way to the one that is. */
export function SecureNote() {
  const screen = location.pathname.replace(/^\/|\.html$/g, "");
  const [secure, setSecure] = useState(/** @type {string | null} */ (null));
  useEffect(() => {
    if (globalThis.isSecureContext) return;
    void call("GET", "/api/help").then((told) => setSecure(told.secure_url), () => setSecure(null));
  }, []);
  if (globalThis.isSecureContext) return null;
  return html`<p class="device-note">${WITHOUT[screen] ?? ANYWHERE}${" "}
    ${secure
      ? html`<a href="/help.html">How to trust this server</a>, then open <a href=${secure + location.pathname + location.search + location.hash}>the secure address</a>.`
      : screen === "room" ? "Record on the server's own computer, at localhost." : null}</p>`;
}

/** Says when a newer version of the screens is here. */
export function NewerNote() {
  const [ready, setReady] = useState(newerIsReady());
  useEffect(() => {
    const stop = onNewer(() => setReady(newerIsReady()));
    void keepScreens();
    return stop;
  }, []);
  return ready
    ? html`<p class="device-note" role="status">A newer version of these screens is here. What you entered stays. <button type="button" onClick=${takeNewer}>Take it now</button></p>`
    : null;
}
