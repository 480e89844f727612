/** Joining by a one-time link. The secret stands behind the #, so it reaches the server only in the request that uses it up. */

import { call } from "../core/api.js";
import { keep } from "../core/keys.js";
import { Deed, Head, Wrong, html, render, useAct, useState } from "./parts.js";

/** @returns {string} the link's secret */
function secretOfAddress() {
  const hash = location.hash.slice(1);
  return new URLSearchParams(hash).get("link") ?? new URLSearchParams(location.search).get("link") ?? hash;
}

function Join() {
  const [secret] = useState(secretOfAddress);
  const act = useAct();
  const join = () =>
    act.run(async () => {
      const joined = await call("POST", "/api/join", { link: secret });
      // The used link goes out of the history: going back must not try it again.
      location.replace(keep(joined));
    });
  return html`<${Head} title="Join" about="Fairhearing" />
    <main class="middle">
      ${secret
        ? html`<p class="next">This link makes the device in your hand a part of the audition. It works once.</p>
            <${Wrong}>${act.error}<//>
            <${Deed} kind="deed" busy=${act.busy} onClick=${join}>Join on this device<//>
            ${act.error ? html`<p>If you have joined on this device before, go on: <a href="/panel.html">Panel</a> or <a href="/room.html">Recording room</a>.</p>` : null}`
        : html`<p>This address carries no join link. Scan the code again, or ask the section leader for a new link.</p>`}
    </main>`;
}

render(html`<${Join} />`, /** @type {HTMLElement} */ (document.getElementById("screen")));
