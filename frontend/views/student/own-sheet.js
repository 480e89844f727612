/** What the comment sheet says: marks, remarks, findings, what to practise first, what changed. */

import { fetchBlob } from "../../core/api.js";
import { Deed, Wrong, html, saveAs, useAct } from "../parts.js";

/** As on paper. @param {number | null} mark @param {number} [digits] 0: an adjudicator's own, whole as a rule */
const markText = (mark, digits = 0) => (mark === null ? "–" : digits ? mark.toFixed(digits) : String(Math.round(mark * 10) / 10));

/** @param {{round: any, secret: string}} props */
export function OwnSheet({ round, secret }) {
  const act = useAct();
  const save = () =>
    act.run(async () => saveAs(await fetchBlob(`/api/student/candidates/${round.candidate_id}/comment-sheet.pdf`, { token: secret }), `comment sheet ${round.round_name}.pdf`));
  const several = round.parts.length > 1;
  return html`
    <div class="above"><h2>${round.round_name}</h2><span class="soft">played as number ${round.blind_number} · ${round.held_on}</span></div>
    <div class="deeds"><${Deed} onClick=${save} busy=${act.busy}>Save the sheet, PDF<//></div>
    <${Wrong}>${act.error}<//>
    <${Overall} round=${round} />
    <h3>Practise this first</h3>
    ${round.practice.length
      ? html`<ol>${round.practice.map((one) => html`<li><strong>${one.title}</strong> <span class="soft">${[several ? one.piece_title : "", one.where].filter(Boolean).join(", ")}</span><p>${one.text}</p></li>`)}</ol>`
      : html`<p>${round.why_no_practice ?? "The findings call for nothing in particular: play it for someone, and enjoy it."}</p>`}
    ${round.progress.length
      ? html`<h3>Since the last mock audition</h3><p class="soft">${round.progress[0]}</p><ul>${round.progress.slice(1).map((line) => html`<li>${line}</li>`)}</ul>`
      : null}
    <h3>What the panel wrote</h3>
    ${round.remarks.length
      ? html`<ul class="plain lined">${round.remarks.map(
          (remark) => html`<li><strong>${remark.letter}</strong> <span class="soft">${[several ? remark.piece_title : "", remark.bar ? `bar ${remark.bar}` : ""].filter(Boolean).join(", ")}</span> <span class="said">${remark.text}</span></li>`,
        )}</ul>`
      : html`<p class="soft">No adjudicator wrote a remark.</p>`}
    ${round.parts.map(
      (part) => html`<h3>${part.title}</h3>
        ${part.heading ? html`<p class="soft small">${part.heading}</p>` : null}
        ${part.findings.length ? html`<ul>${part.findings.map((sentence) => html`<li>${sentence}</li>`)}</ul>` : null}
        ${part.why_no_findings ? html`<p>No measurements: ${part.why_no_findings}</p>` : null}`,
    )}
    <h3>Marks of every adjudicator</h3>
    ${round.blocks.map((block) => html`<${Block} block=${block} letters=${round.letters} />`)}
    ${round.notes.map((note) => html`<p class="soft small">${note}</p>`)}`;
}

/** @param {{round: any}} props */
function Overall({ round }) {
  return html`<div class="table"><table class="cards">
    <thead><tr><th scope="col">Caption</th><th scope="col" class="right">Mark</th><th scope="col">What it earned</th></tr></thead>
    <tbody>
      ${round.overall.map((row) => html`<tr><th scope="row">${row.name}</th><td class="right" data-label="Mark">${markText(row.merged, 1)}</td><td>${row.earned}</td></tr>`)}
      <tr><th scope="row">Together</th><td class="right" data-label="Mark">${markText(round.merged_total, 1)}</td><td class="soft">from ${round.scale_low} to ${round.scale_high}</td></tr>
    </tbody>
  </table></div>`;
}

/** @param {{block: any, letters: string[]}} props */
function Block({ block, letters }) {
  const measured = block.rows.some((row) => row.measured !== null);
  return html`<div class="table" tabindex="0" role="region" aria-label=${`Marks ${block.title}`}><table>
    ${block.title ? html`<caption>${block.title}</caption>` : null}
    <thead><tr><th scope="col">Caption</th>${letters.map((letter) => html`<th scope="col" class="right">${letter}</th>`)}${measured ? html`<th scope="col" class="right">measured</th>` : null}<th scope="col" class="right">merged</th></tr></thead>
    <tbody>${block.rows.map(
      (row) => html`<tr><th scope="row">${row.name}</th>${row.marks.map((mark) => html`<td class="right">${markText(mark)}</td>`)}${measured ? html`<td class="right">${markText(row.measured, 1)}</td>` : null}<td class="right">${markText(row.merged, 1)}</td></tr>`,
    )}</tbody>
  </table></div>`;
}
