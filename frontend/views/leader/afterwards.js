/** After the day: how long recordings stay, what a family may ask for, and next year's audition. */

import { call } from "../../core/api.js";
import { Ask, Deed, Line, Said, Waiting, Wrong, counted, dateText, html, useAct, useLoad, useState } from "../parts.js";
import { StudentChoice } from "./student-choice.js";

/** @param {{audition: any, reload: () => Promise<void>}} props */
export function Afterwards({ audition, reload }) {
  return html`<main class="narrow" id="content">
    <${Recordings} audition=${audition} reload=${reload} />
    <${Copy} audition=${audition} />
  </main>`;
}

/** @param {{audition: any, reload: () => Promise<void>}} props */
function Recordings({ audition, reload }) {
  const address = `/api/auditions/${audition.id}/recordings`;
  const kept = useLoad(() => call("GET", address), [audition.id]);
  const [chosen, setChosen] = useState(/** @type {any} */ (null));
  const [asking, setAsking] = useState("");
  const [said, setSaid] = useState("");
  const destroy = async (/** @type {string} */ reason) => {
    const made = await call("POST", `${address}/destroy`, { entry_id: asking === "one" ? chosen?.entry_id : null, reason });
    setSaid(`${counted(made.takes, "recording")} destroyed. The certificate is below.`);
    await Promise.all([kept.reload(), reload()]);
  };
  const state = kept.data;
  const still = state?.not_opened.length ? `${state.not_opened.join(" and ")}: still heard, so its recordings stay. Open it first.` : "";
  const why = state && !state.kept && !state.days ? "No recording is left." : still;
  return html`<h2>Recordings</h2>
    <${Wrong}>${kept.error}<//>
    <${Said}>${said}<//>
    ${state
      ? html`<p class="next">${state.sentence}</p>
          <p class="soft">Destroying takes the sound away for good. Marks, remarks, findings and printed sheets stay. Copies in backups are yours to destroy.</p>
          <div class="deeds"><${Deed} onClick=${() => setAsking("all")} why=${why}>Destroy all recordings<//></div>`
      : html`<${Waiting} />`}
    ${state?.certificates.length
      ? html`<h3>Certificates</h3>
          <ul class="plain lined">${state.certificates.map(
            (/** @type {any} */ one) => html`<li class="above"><span>${dateText(one.made_at.slice(0, 10))}: ${counted(one.takes, "recording")}${one.one_student ? " of one student" : ""}<br /><span class="soft small">${one.reason}</span></span>
              <a class="button" href=${`/api/certificates/${one.id}.pdf`} download=${`certificate of destruction ${one.made_at.slice(0, 10)}.pdf`}>Save the certificate, PDF</a></li>`,
          )}</ul>`
      : null}
    <h2>When a family asks</h2>
    <${StudentChoice} audition=${audition} label="Student" chosen=${chosen} onChosen=${setChosen} />
    <p class="soft">Everything that is kept of the student, from every audition: recordings, findings, sheets, consent and what was done when.</p>
    <div class="deeds">
      ${chosen ? html`<a class="button" href=${`/api/entries/${chosen.entry_id}/everything.zip`} download>Save everything of ${chosen.name}, ZIP</a>` : null}
      <${Deed} onClick=${() => setAsking("one")} why=${chosen ? "" : "Choose a student first."}>Destroy this student's recordings<//>
    </div>
    ${asking
      ? html`<${Ask}
          title=${asking === "one" ? `Destroy the recordings of ${chosen?.name}?` : "Destroy all recordings of this audition?"}
          sentences=${["This can't be taken back. A certificate names every recording by number, date and hash. The panel can no longer listen."]}
          reason="Reason"
          deed="Destroy the recordings"
          onClose=${() => setAsking("")}
          onDo=${destroy}
        />`
      : null}`;
}

/** @param {{audition: any}} props */
function Copy({ audition }) {
  const act = useAct();
  const [name, setName] = useState(audition.name);
  const [heldOn, setHeldOn] = useState("");
  const submit = (/** @type {Event} */ event) => {
    event.preventDefault();
    void act.run(async () => {
      const made = await call("POST", `/api/auditions/${audition.id}/copy`, { name: name.trim(), held_on: heldOn });
      location.hash = `#/${made.id}/details`;
    });
  };
  return html`<h2>Another day like this</h2>
    <p class="soft">A new audition with these settings, rubric, rule, material and first round. No student, adjudicator, mark or recording goes along, and the rule is declared anew.</p>
    <form onSubmit=${submit}>
      <${Line} label="Name" value=${name} onValue=${setName} required maxlength="160" />
      <${Line} label="Date" type="date" value=${heldOn} onValue=${setHeldOn} required short />
      <${Wrong}>${act.error}<//>
      <${Deed} type="submit" busy=${act.busy}>Copy without people<//>
    </form>`;
}
