/** The list of auditions and the form for a new one. */

import { call } from "../../core/api.js";
import { Deed, Head, Line, Waiting, Wrong, dateText, html, useAct, useLoad, useState } from "../parts.js";

/** @returns {string} today as the date input writes it, in local time */
function today() {
  const now = new Date();
  return `${now.getFullYear()}-${String(now.getMonth() + 1).padStart(2, "0")}-${String(now.getDate()).padStart(2, "0")}`;
}

function NewAudition() {
  const act = useAct();
  const [name, setName] = useState("");
  const [organisation, setOrganisation] = useState("");
  const [heldOn, setHeldOn] = useState(today);
  const submit = (event) => {
    event.preventDefault();
    void act.run(async () => {
      const made = await call("POST", "/api/auditions", { name: name.trim(), organisation: organisation.trim(), held_on: heldOn });
      location.hash = `#/${made.id}/details`;
    });
  };
  return html`<form onSubmit=${submit}>
    <${Line} label="Name" value=${name} onValue=${setName} required maxlength="160" hint="As it should stand on the sheets, for instance Clarinet mock audition" />
    <${Line} label="School or organisation" value=${organisation} onValue=${setOrganisation} maxlength="160" />
    <${Line} label="Date" type="date" value=${heldOn} onValue=${setHeldOn} required short />
    <${Wrong}>${act.error}<//>
    <${Deed} type="submit" kind="deed" busy=${act.busy}>Begin this audition<//>
  </form>`;
}

/** @param {{signOut: () => void}} props */
export function AuditionList({ signOut }) {
  const auditions = useLoad(() => call("GET", "/api/auditions"), []);
  const [adding, setAdding] = useState(false);
  const list = auditions.data ?? [];
  const empty = auditions.data && list.length === 0;
  return html`<${Head} title="Auditions" about="Blind mock auditions, from the draw to the comment sheet">
      <${Deed} kind="plain" onClick=${signOut}>Sign out<//>
    <//>
    <main class="narrow" id="content">
      <${Wrong}>${auditions.error}<//>
      ${auditions.loading && !auditions.data ? html`<${Waiting} />` : null}
      ${empty ? html`<p class="next">There is no audition yet. Give the first one a name and a date; material, students and panel come next.</p>` : null}
      ${list.length
        ? html`<ul class="plain lined">
            ${list.map(
              (audition) => html`<li>
                <h2><a href=${`#/${audition.id}/details`}>${audition.name}</a></h2>
                <p class="soft">${[audition.organisation, dateText(audition.held_on)].filter(Boolean).join(" · ")}</p>
                ${audition.next_step ? html`<p>${audition.next_step}</p>` : null}
              </li>`,
            )}
          </ul>`
        : null}
      ${auditions.data
        ? empty || adding
          ? html`<h2>New audition</h2><${NewAudition} />`
          : html`<${Deed} onClick=${() => setAdding(true)}>New audition<//>`
        : null}
    </main>`;
}
