/** The landing screen: sign in, the first set-up, the doors of the demo. */

import { call } from "../core/api.js";
import { keep, panelKey, proctorKey } from "../core/keys.js";
import { Deed, Head, Line, Waiting, Wrong, html, render, useAct, useLoad, useState } from "./parts.js";

/** The secret of the set-up link comes behind the # so that it never reaches a server's log. */
const setupToken = new URLSearchParams(location.hash.slice(1)).get("setup") ?? "";

function Setup() {
  const act = useAct();
  const [token, setToken] = useState(setupToken);
  const [name, setName] = useState("");
  const [password, setPassword] = useState("");
  const submit = (event) => {
    event.preventDefault();
    void act.run(async () => {
      await call("POST", "/api/setup", { setup_token: token.trim(), name: name.trim(), password });
      location.assign("/leader.html");
    });
  };
  return html`<section>
    <h2>First set-up</h2>
    <p>Nobody has signed in here before. Choose the section leader's name and password. The set-up token stands in the terminal in which the server was started.</p>
    <form onSubmit=${submit}>
      <${Line} label="Set-up token" value=${token} onValue=${setToken} required autocomplete="off" />
      <${Line} label="Your name" value=${name} onValue=${setName} required autocomplete="username" />
      <${Line} label="Password" type="password" value=${password} onValue=${setPassword} required autocomplete="new-password" hint="At least ten characters; a few words are good." />
      <${Wrong}>${act.error}<//>
      <${Deed} type="submit" kind="deed" busy=${act.busy}>Set up and sign in<//>
    </form>
  </section>`;
}

function SignIn() {
  const act = useAct();
  const [name, setName] = useState("");
  const [password, setPassword] = useState("");
  const submit = (event) => {
    event.preventDefault();
    void act.run(async () => {
      await call("POST", "/api/sign-in", { name: name.trim(), password });
      location.assign("/leader.html");
    });
  };
  return html`<section>
    <h2>Section leader</h2>
    <form onSubmit=${submit}>
      <${Line} label="Your name" value=${name} onValue=${setName} required autocomplete="username" />
      <${Line} label="Password" type="password" value=${password} onValue=${setPassword} required autocomplete="current-password" />
      <${Wrong}>${act.error}<//>
      <${Deed} type="submit" kind="deed" busy=${act.busy}>Sign in<//>
    </form>
  </section>`;
}

function Doors() {
  const doors = useLoad(() => call("GET", "/api/demo/doors"), []);
  const act = useAct();
  const enter = (door) =>
    act.run(async () => {
      const joined = await call("POST", "/api/demo/enter", { role: door.role, adjudicator_id: door.adjudicator_id ?? null });
      location.assign(keep(joined));
    });
  return html`<section>
    <h2>The demo's doors</h2>
    <p>This is a demo with invented people and synthesised takes. Go in as any of them; you can come back here and try another door.</p>
    ${doors.error ? html`<p>The doors open only in a browser on the computer the demo runs on.</p>` : null}
    <${Wrong}>${act.error}<//>
    ${doors.loading ? html`<${Waiting} />` : null}
    <ul class="plain lined">
      ${(doors.data ?? []).map(
        (door) => html`<li><${Deed} onClick=${() => enter(door)} busy=${act.busy}>${door.label}<//></li>`,
      )}
    </ul>
  </section>`;
}

function Landing() {
  const session = useLoad(() => call("GET", "/api/session"), []);
  const known = session.data;
  const joined = [
    ...(panelKey("") ? [{ name: "go to the Panel", address: "/panel.html" }] : []),
    ...(proctorKey() ? [{ name: "go to the Recording room", address: "/room.html" }] : []),
  ];
  return html`<${Head} title="Fairhearing" about="Blind mock auditions, from the draw to the comment sheet" />
    <main class="middle">
      <${Wrong}>${session.error}<//>
      ${session.error ? html`<${Deed} onClick=${session.reload}>Try again<//>` : null}
      ${session.loading && !known ? html`<${Waiting} />` : null}
      ${known
        ? html`
            ${known.demo ? html`<${Doors} /><hr />` : null}
            ${known.role === "leader" ? html`<p class="next">You are signed in. <a href="/leader.html">Go to your auditions</a>.</p>` : null}
            ${known.needs_setup ? html`<${Setup} />` : known.role === "leader" ? null : html`<${SignIn} />`}
          `
        : null}
      ${known || session.error
        ? html`<hr />
            <section>
              <h2>Proctors and adjudicators</h2>
              ${joined.length ? html`<p class="next">This device has joined: ${joined.map((one, index) => html`${index ? " or " : ""}<a href=${one.address}>${one.name}</a>`)}.</p>` : null}
              <p>Open the link, or scan the code, that the section leader gives you. It works once and turns this device into the recording room's or the panel's.</p>
            </section>
            <p class="soft small">A mock result and a practice aid: no official score and no prediction.</p>`
        : null}
    </main>`;
}

render(html`<${Landing} />`, /** @type {HTMLElement} */ (document.getElementById("screen")));
