/** Sheets: what is printed. */

import { ApiError, call, callLines, fetchBlob } from "../../core/api.js";
import { LINES, Pages, Search, usePages } from "../pages.js";
import { Deed, Waiting, Wrong, Said, counted, html, saveAs, useAct, useLoad, useRef, useState } from "../parts.js";
import { DrawnByWorker, FilesOfSheets } from "./long-printing.js";
import { PrivateLinks } from "./private-links.js";
import { RoundChoice, useRounds } from "./rounds.js";

/** @param {{audition: any, more: string}} props */
export function Sheets({ audition, more }) {
  const { rounds, list, round, choose } = useRounds(audition.id, more);
  if (!rounds.data) return html`<main id="content"><${Wrong}>${rounds.error}<//>${rounds.error ? null : html`<${Waiting} />`}</main>`;
  if (!round || (round.state !== "drawn" && round.state !== "opened")) {
    return html`<main class="narrow" id="content"><p class="next">There is nothing to print before the draw. <a href=${`#/${audition.id}/draw`}>Go to the draw</a>.</p></main>`;
  }
  return html`<main class="narrow" id="content">
    <${RoundChoice} list=${list} round=${round} choose=${choose} />
    <${RoundSheets} key=${round.id} audition=${audition} round=${round} />
  </main>`;
}

/** @param {{audition: any, round: any}} props */
function RoundSheets({ audition, round }) {
  const pages = usePages();
  const opened = round.state === "opened";
  const query = new URLSearchParams({ find: pages.find, offset: String(pages.offset), limit: String(LINES) });
  const standing = useLoad(async () => (opened ? call("GET", `/api/rounds/${round.id}/standing?${query}`) : null), [round.id, opened, pages.find, pages.offset]);
  const before = useRef(/** @type {any} */ (null));
  if (standing.data) before.current = standing.data;
  const shown = standing.data ?? before.current; // the search field must not vanish under whoever types in it
  const rows = shown?.rows ?? [];
  const printing = useLoad(() => call("GET", `/api/rounds/${round.id}/printing`), [round.id, opened]);
  const drawn = printing.data ?? null;
  const score = html`<a class="button" href=${`/api/rounds/${round.id}/score-sheet.pdf`} download>Save the score sheet, PDF</a>`;
  const long = shown?.total > LINES || pages.find !== "" || pages.offset > 0;
  return html`
    <h2>Score sheet</h2>
    <p>${opened ? "The ranked result with names." : "Numbers only: names stand on it once the round is opened."}</p>
    <${Wrong}>${printing.error}<//>
    ${drawn?.score_sheet
      ? html`<${DrawnByWorker} what="the score sheet" kind="print-score-sheet" round=${round} working=${drawn.score_sheet} onChange=${printing.reload}><div class="deeds">${score}</div><//>`
      : null}
    <div class="deeds">
      ${drawn && !drawn.score_sheet ? score : null}
      <a class="button" href=${`/api/rounds/${round.id}/marks.csv`} download>Save all marks, CSV</a>
    </div>
    <h2>Comment sheets</h2>
    ${opened
      ? html`<p>One for each student to take home: marks, remarks by bar, what was measured, and what to practise first.</p>
          ${drawn?.comment_sheets
            ? html`<${DrawnByWorker} what="the comment sheets" kind="print-comment-sheets" round=${round} working=${drawn.comment_sheets} onChange=${printing.reload}>
                <${FilesOfSheets} round=${round} printed=${drawn.printed} most=${drawn.in_a_file} /><//>`
            : drawn ? html`<${AllSheets} round=${round} />` : null}
          <${Wrong}>${standing.error}<//>
          ${shown ? null : standing.error ? null : html`<${Waiting} />`}
          ${long ? html`<${Search} label="Find a number or name" pages=${pages} />` : null}
          ${long && !rows.length ? html`<p class="soft" role="status">Nobody is found by that.</p>` : null}
          <ul class="plain lined">${rows.map(
            (row) => html`<li class="above"><span><strong class="number">${row.blind_number}</strong> ${" "} ${row.name ?? ""}</span>
              <a class="button" href=${`/api/candidates/${row.candidate_id}/comment-sheet.pdf`} download aria-label=${`Save, PDF: the comment sheet of number ${row.blind_number}`}>Save, PDF</a></li>`,
          )}</ul>
          ${rows.length ? html`<${Pages} total=${shown.total} offset=${pages.offset} limit=${LINES} onOffset=${pages.setOffset} what="student" />
              <${PrivateLinks} round=${round} rows=${rows} />` : null}`
      : html`<p class="next">Comment sheets carry names, so they can be printed once the round is opened. <a href=${`#/${audition.id}/standing`}>Go to the standing</a>.</p>`}
    <p class="soft small">Every sheet says: a mock result and a practice aid, no official score. Follow your teacher and the rules of the audition itself.</p>`;
}

/**
 * All comment sheets as one file: they are drawn while one looks on, then saved.
 * @param {{round: any}} props
 */
function AllSheets({ round }) {
  const act = useAct();
  const [step, setStep] = useState(/** @type {{done: number, total: number} | null} */ (null));
  const [said, setSaid] = useState("");
  const make = async () => {
    setSaid("");
    setStep({ done: 0, total: 0 });
    await act.run(async () => {
      const last = await callLines("POST", `/api/rounds/${round.id}/comment-sheets`, (told) => {
        if ("done" in told) setStep(told);
      });
      if (!last?.parcel_id) throw new ApiError("The file did not come to its end. Make the sheets again.");
      const zip = await fetchBlob(`/api/parcels/${last.parcel_id}.zip`);
      saveAs(zip, `comment sheets ${round.name}.zip`);
      setSaid(`${counted(last.total ?? 0, "sheet")} saved.`);
    });
    setStep(null);
  };
  return html`<div class="deeds"><${Deed} kind="deed" onClick=${make} busy=${act.busy}>Save all comment sheets, ZIP<//></div>
    ${step ? html`<label><span role="status">${step.total ? `Drawing the sheets: ${step.done} of ${step.total}` : "Reading the round"}</span><progress max=${step.total || 1} value=${step.total ? step.done : undefined}></progress></label>` : null}
    <${Wrong}>${act.error}<//><${Said}>${said}<//>`;
}
