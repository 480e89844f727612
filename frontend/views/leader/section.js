/** The section report: what all takes of a round have in common, for the next rehearsal. */

import { call } from "../../core/api.js";
import { Drawing, Waiting, Wrong, html, useLoad, useRef } from "../parts.js";
import { RoundChoice, useRounds } from "./rounds.js";
import { WorkingOut } from "./standing-working.js";

/** @param {{audition: any, more: string}} props */
export function Section({ audition, more }) {
  const { rounds, list, round, choose } = useRounds(audition.id, more);
  if (!rounds.data) return html`<main id="content"><${Wrong}>${rounds.error}<//>${rounds.error ? null : html`<${Waiting} />`}</main>`;
  if (!round || (round.state !== "drawn" && round.state !== "opened")) {
    return html`<main class="narrow" id="content"><p class="next">There is nothing to report before the draw. <a href=${`#/${audition.id}/draw`}>Go to the draw</a>.</p></main>`;
  }
  return html`<main class="narrow" id="content">
    <${RoundChoice} list=${list} round=${round} choose=${choose} />
    <${Report} key=${round.id} round=${round} />
  </main>`;
}

/** @param {{round: any}} props */
function Report({ round }) {
  const found = useLoad(() => call("GET", `/api/rounds/${round.id}/section`), [round.id]);
  const before = useRef(/** @type {any} */ (null));
  if (found.data) before.current = found.data;
  const report = found.data ?? before.current; // it stays while a worker's progress is asked for
  if (!report) return html`<${Wrong}>${found.error}<//>${found.error ? null : html`<${Waiting} />`}`;
  const working = report.working ? html`<${WorkingOut} what="section report" address=${`/api/rounds/${round.id}/section/work-out`} working=${report.working} onChange=${found.reload} />` : null;
  if (report.working && !report.working.worked_out_at) return html`<p class="next">${report.takes}</p>${working}`;
  return html`${working}<p class="soft">${report.takes}</p>
    <div class="deeds"><a class="button" href=${`/api/rounds/${round.id}/section-report.pdf`} download="section report.pdf">Save the section report, PDF</a></div>
    <h2>For the next rehearsal</h2>
    <ul>${report.next_rehearsal.map((/** @type {string} */ sentence) => html`<li>${sentence}</li>`)}</ul>
    <h2>Pitches across the section</h2>
    ${report.pitch.length ? report.pitch.map(picture) : html`<p class="soft">${report.why_no_pitch}</p>`}
    <h2>Bars where most fell</h2>
    ${report.pieces.length ? report.pieces.map(picture) : html`<p class="soft">${report.why_no_bars}</p>`}
    <h2>Where the panel was in doubt</h2>
    <ul>${report.doubts.map((/** @type {string} */ sentence) => html`<li>${sentence}</li>`)}</ul>`;
}

/** @param {{title: string, svg: string, sentence: string}} one */
const picture = (one) => html`<h3>${one.title}</h3>${one.svg ? html`<${Drawing} kind="engraving figures-drawn" svg=${one.svg} label=${`${one.title}. ${one.sentence}`} />` : null}<p class="soft small">${one.sentence}</p>`;
