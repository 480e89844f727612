/** How a device comes to trust this server, and what works at which address. */

import { call } from "../core/api.js";
import { Deed, Drawing, Head, Waiting, Wrong, dateText, html, render, useLoad } from "./parts.js";

/** What works where; the same facts as the notes on the screens. */
const WORKS = [
  { what: "Score, write remarks, send sheets", plain: "yes", secure: "yes" },
  { what: "Open the panel again without network", plain: "no", secure: "yes" },
  { what: "Record with the microphone", plain: "no", secure: "yes" },
  { what: "Hand in recordings as files", plain: "yes", secure: "yes" },
  { what: "Passwords and names can't be read in the network", plain: "no", secure: "yes" },
];
const DEVICES = [
  {
    name: "iPad, iPhone",
    steps: [
      "Download the certificate in Safari and allow it.",
      "Open Settings; under “Profile Downloaded” install it.",
      "Under General, About, Certificate Trust Settings switch it on. Without this last step nothing changes.",
    ],
  },
  {
    name: "Android",
    steps: [
      "Download the certificate.",
      "In Settings search for “CA certificate” (under security, encryption and credentials) and install the downloaded file.",
      "Use Chrome for Fairhearing; Firefox keeps a list of its own.",
    ],
  },
  {
    name: "Chromebook",
    steps: ["Download the certificate.", "In Chrome open Settings, Privacy and security, Security, Manage certificates; import it as an authority and trust it for websites."],
  },
  {
    name: "Windows, Mac",
    steps: [
      "Windows: open the downloaded file, choose Install, the current user, and the store “Trusted Root Certification Authorities”.",
      "Mac: open the file in Keychain Access, then set it to “Always Trust”.",
    ],
  },
];

function Help() {
  const help = useLoad(() => call("GET", "/api/help"), []);
  const told = help.data;
  return html`<${Head} title="Trust this server" about="Fairhearing" />
    <main class="middle">
      <${Wrong}>${help.error}<//>
      ${help.error ? html`<${Deed} onClick=${help.reload}>Try again<//>` : null}
      ${help.loading && !told ? html`<${Waiting} />` : null}
      ${told ? (told.secure_url ? html`<${Trust} told=${told} />` : html`<${PlainOnly} told=${told} />`) : null}
    </main>`;
}

/** @param {{told: any}} props */
function Trust({ told }) {
  const print = told.fingerprint ?? "";
  return html`<p class="next">${told.own_authority
      ? "Browsers give the microphone, and keep screens without a network, only at secure addresses. Nobody outside can vouch for a server inside a school, so this one vouches for itself. Each device has to trust it once."
      : html`Use the secure address: <a href=${told.secure_url}>${told.secure_url}</a>.`}</p>
    ${told.own_authority
      ? html`<h2>1. Download its certificate</h2>
          <p><a href="/api/help/authority.cer" download>Download the certificate</a> (<a href="/api/help/authority.pem" download>as text</a>). It holds until ${dateText(told.authority_until)} and can vouch only for this machine and for private networks.</p>
          <p>The device shows a fingerprint (SHA-256). It must be this one, which the terminal shows as well:</p>
          <p class="hash figures">${print.slice(0, 48)}<wbr />${print.slice(48)}</p>
          <h2>2. Trust it</h2>
          ${DEVICES.map((device) => html`<details><summary>${device.name}</summary><ol>${device.steps.map((step) => html`<li>${step}</li>`)}</ol></details>`)}
          <p class="soft">The words in your device may differ a little. A school's managed device may forbid this; then score at the plain address and record on the server's own computer.</p>
          <h2>3. Open the secure address</h2>
          <p><a href=${told.secure_url}>${told.secure_url}</a>${told.names.length ? html`; by name: ${told.names.map((name, index) => html`${index ? ", " : ""}${name}`)}` : null}</p>`
      : null}
    <${Works} />
    <h2>For the next device</h2>
    <p>Scan this to come to this page:</p>
    <${Drawing} kind="qr" svg=${told.help_qr_svg} label=${`Code of ${told.plain_url}/help.html`} />
    <p class="hash">${told.plain_url}/help.html</p>`;
}

/** @param {{told: any}} props */
const PlainOnly = ({ told }) =>
  html`<p class="next">This server answers over plain http only, at <span class="hash">${told.plain_url}</span>. Recording works on its own computer, at localhost. To let tablets record and work without network, start it with --host 0.0.0.0; it then also answers at a secure address.</p>
    <${Works} />`;

const Works = () =>
  html`<h2>What works where</h2>
    <div class="table"><table>
      <thead><tr><th scope="col">What</th><th scope="col">http</th><th scope="col">https, or localhost</th></tr></thead>
      <tbody>${WORKS.map((one) => html`<tr><th scope="row">${one.what}</th><td>${one.plain}</td><td>${one.secure}</td></tr>`)}</tbody>
    </table></div>`;

render(html`<${Help} />`, /** @type {HTMLElement} */ (document.getElementById("screen")));
