/** Paper sheets: typed in as a bundle, number after number, and what a second person finds on the paper. */

import { call } from "../../core/api.js";
import { newId } from "../../core/ids.js";
import { Choice, Deed, Line, Said, Waiting, Wrong, counted, html, useAct, useLoad, useState } from "../parts.js";
import { MarksGrid } from "../marks-grid.js";
import { JoinLink } from "./join-link.js";
import { RoundChoice, useRounds } from "./rounds.js";

const WORDS = { unchecked: "typed in", "to check": "to be checked", agrees: "checked", differs: "differs" };

/** @param {{audition: any, more: string}} props */
export function Paper({ audition, more }) {
  const { rounds, list, round, choose } = useRounds(audition.id, more);
  const drawn = round && round.state !== "setup" && round.state !== "committed";
  return html`<main class="narrow" id="content">
    <h2>Paper sheets</h2>
    <p>For the day the network dies: print blank sheets under <a href=${`#/${audition.id}/day`}>Day</a>, and type them in here afterwards.</p>
    <${Wrong}>${rounds.error}<//>
    ${rounds.data ? null : html`<${Waiting} />`}
    ${round ? html`<${RoundChoice} list=${list} round=${round} choose=${choose} />` : null}
    ${drawn ? html`<${Bundle} key=${round.id} audition=${audition} round=${round} />` : rounds.data ? html`<p class="next">Sheets can be typed in once a round is drawn.</p>` : null}
  </main>`;
}

/** A bundle that is being typed waits on this device until it is sent.
 * @param {string} roundId */
function useBundle(roundId) {
  const place = `fairhearing.bundle.${roundId}`;
  const [bundle, setBundle] = useState(() => {
    const text = localStorage.getItem(place);
    return /** @type {{bundle_id: string, sheets: any[]}} */ (text ? JSON.parse(text) : { bundle_id: newId(), sheets: [] });
  });
  const keep = (/** @type {{bundle_id: string, sheets: any[]}} */ now) => {
    localStorage.setItem(place, JSON.stringify(now));
    setBundle(now);
  };
  return { bundle, keep, empty: () => keep({ bundle_id: newId(), sheets: [] }) };
}

/** @param {{audition: any, round: any}} props */
function Bundle({ audition, round }) {
  const progress = useLoad(() => call("GET", `/api/rounds/${round.id}/progress`), [round.id]);
  const typed = useLoad(() => call("GET", `/api/rounds/${round.id}/paper`), [round.id]);
  const { bundle, keep, empty } = useBundle(round.id);
  const act = useAct();
  const [letter, setLetter] = useState("A");
  const [chosen, setChosen] = useState("");
  const [share, setShare] = useState("20");
  const [said, setSaid] = useState("");
  const [link, setLink] = useState(/** @type {any} */ (null));
  const [correcting, setCorrecting] = useState(/** @type {any} */ (null));
  if (!progress.data || !typed.data) return html`<${Wrong}>${progress.error || typed.error}<//>${progress.error || typed.error ? null : html`<${Waiting} />`}`;
  const adjudicator = progress.data.adjudicators.find((one) => one.letter === letter) ?? progress.data.adjudicators[0];
  if (!adjudicator) return html`<p class="next">Nobody is on the panel yet.</p>`;
  const open = progress.data.candidates.filter(
    (one) =>
      ["to hear", "draft"].includes(one.sheets[adjudicator.letter]) &&
      !["absent", "withdrawn", "no-show"].includes(one.state) &&
      !bundle.sheets.some((sheet) => sheet.adjudicator_id === adjudicator.id && sheet.candidate_id === one.candidate_id),
  );
  const candidate = open.find((one) => one.candidate_id === chosen) ?? open[0];
  const rows = audition.scored_per === "candidate" ? [["all", "Everything played"]] : progress.data.pieces.map((piece) => [piece.piece_id, piece.title]);
  const captions = audition.rubric.captions.map((one) => [one.key, one.name]);
  const scale = { low: audition.rubric.low, high: audition.rubric.high };
  const put = (/** @type {any} */ marks) =>
    keep({ ...bundle, sheets: [...bundle.sheets, { version_id: newId(), adjudicator_id: adjudicator.id, candidate_id: candidate.candidate_id, marks }] });
  const send = () =>
    act.run(async () => {
      await call("POST", `/api/rounds/${round.id}/paper`, { ...bundle, share_percent: Number(share) });
      setSaid(`${counted(bundle.sheets.length, "sheet")} kept. A second person checks the share that chance has chosen.`);
      empty();
      await Promise.all([progress.reload(), typed.reload()]);
    });
  const nameOf = (/** @type {any} */ sheet) =>
    `${progress.data.adjudicators.find((one) => one.id === sheet.adjudicator_id)?.letter ?? "?"}, ${progress.data.candidates.find((one) => one.candidate_id === sheet.candidate_id)?.blind_number ?? "?"}`;
  return html`
    ${round.state === "opened"
      ? html`<p class="next">This round is opened; no sheet can come in any more.</p>`
      : html`<div class="row start">
            <${Choice} label="Adjudicator" short value=${adjudicator.letter} onValue=${setLetter} options=${progress.data.adjudicators.map((one) => ({ key: one.letter, name: one.letter }))} />
            ${candidate ? html`<${Choice} label="Number" short value=${candidate.candidate_id} onValue=${setChosen} options=${open.map((one) => ({ key: one.candidate_id, name: one.blind_number }))} />` : null}
          </div>
          ${candidate
            ? html`<h3>Adjudicator ${adjudicator.letter}, number ${candidate.blind_number}</h3>
                <${MarksGrid} key=${`${adjudicator.id} ${candidate.candidate_id}`} rows=${rows} captions=${captions} ...${scale} busy=${false} deed="Next sheet" hint="Type digits only: the next box comes by itself. A sheet with empty boxes goes in by the adjudicator's tablet, with the reason." onDone=${put} />`
            : html`<p class="next">Every sheet of adjudicator ${adjudicator.letter} is in or in this bundle.</p>`}
          <h3>This bundle</h3>
          <${Said}>${said}<//><${Wrong}>${act.error}<//>
          ${bundle.sheets.length
            ? html`<ul class="plain lined">${bundle.sheets.map(
                (sheet) => html`<li class="above"><span>${nameOf(sheet)}: ${Object.values(sheet.marks).map((row) => Object.values(row).join(" ")).join(" · ")}</span>
                  <${Deed} kind="plain" label=${`Take ${nameOf(sheet)} out of the bundle`} onClick=${() => keep({ ...bundle, sheets: bundle.sheets.filter((one) => one !== sheet) })}>Take out<//></li>`,
              )}</ul>
              <form class="row start" onSubmit=${(/** @type {Event} */ event) => { event.preventDefault(); void send(); }}>
                <${Line} label="Share that a second person checks, in percent" type="number" min="0" max="100" value=${share} onValue=${setShare} short />
                <div class="cell"><${Deed} type="submit" kind="deed" busy=${act.busy}>Send ${counted(bundle.sheets.length, "sheet")}<//></div>
              </form>`
            : html`<p class="soft">Nothing typed yet. What you type stays on this device until it is sent.</p>`}`}
    ${typed.data.length
      ? html`<h3>Typed in from paper</h3>
          <div class="table"><table><thead><tr><th>Adjudicator</th><th>Number</th><th>State</th></tr></thead><tbody>${typed.data.map(
            (one) => html`<tr><td>${one.letter}</td><th scope="row">${one.blind_number}</th><td>${WORDS[one.state] ?? one.state}
              ${one.differences.map((text) => html`<br /><span class="small">${text}</span>`)}
              ${one.state === "differs" ? html`<br /><${Deed} onClick=${() => setCorrecting(one)} label=${`Type it again: ${one.letter}, ${one.blind_number}`}>Type it again<//>` : null}</td></tr>`,
          )}</tbody></table></div>`
      : null}
    ${correcting
      ? html`<h3>Once more: adjudicator ${correcting.letter}, number ${correcting.blind_number}</h3>
          <${MarksGrid} key=${correcting.sheet_id} rows=${rows} captions=${captions} ...${scale} busy=${act.busy} deed="Keep the correction" onDone=${(/** @type {any} */ marks) =>
            act.run(async () => {
              await call("POST", `/api/paper/${correcting.sheet_id}/correct`, { version_id: newId(), marks, reason: "misread when it was typed in" });
              setCorrecting(null);
              await typed.reload();
            })} />`
      : null}
    <div class="deeds"><${Deed} onClick=${() => act.run(async () => setLink({ title: "Join link for the second person", ...(await call("POST", `/api/auditions/${audition.id}/checker-link`)) }))}>Join link for the second person<//></div>
    ${link ? html`<${JoinLink} title=${link.title} link=${link} onClose=${() => setLink(null)} />` : null}`;
}
