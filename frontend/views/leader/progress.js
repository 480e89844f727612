/** The leader's view of the recording room: every candidate and piece, measuring as it goes on, sheets as they come in. */

import { call } from "../../core/api.js";
import { Deed, Waiting, Wrong, html, useAct, useEffect, useLoad, useRef, useState } from "../parts.js";
import { HandingInBoard } from "./handing-in.js";
import { JoinLink } from "./join-link.js";
import { LINES, Pages, Search, usePages } from "../pages.js";
import { RoundChoice, useRounds } from "./rounds.js";
import { MEASURING_WORDS, TakeFindings } from "./take-findings.js";

const POLL_MS = 2000; // our choice: lively enough, light on a school's network
export const CANDIDATE_WORDS = {
  expected: "expected",
  present: "here",
  late: "late",
  absent: "absent",
  withdrawn: "withdrawn",
  "no-show": "no-show",
  heard: "heard",
};

/** @param {any} take */
function measuringText(take) {
  const measuring = take.measuring;
  if (!measuring?.state) return "";
  if (measuring.state === "running") return `measuring, ${Math.round((measuring.progress ?? 0) * 100)} %`;
  if (measuring.state === "failed" && measuring.text) return `not measured: ${measuring.text}`;
  return MEASURING_WORDS[measuring.state] ?? measuring.state;
}

/** @param {{audition: any, more: string}} props */
export function Progress({ audition, more }) {
  const { rounds, list, round, choose } = useRounds(audition.id, more);
  const act = useAct();
  const [link, setLink] = useState(/** @type {any} */ (null));
  if (!rounds.data) return html`<main id="content"><${Wrong}>${rounds.error}<//>${rounds.error ? null : html`<${Waiting} />`}</main>`;
  if (!round || (round.state !== "drawn" && round.state !== "opened")) {
    return html`<main class="narrow" id="content"><p class="next">${round ? "The draw comes first: it gives every student a number and a place in the playing order." : "No round is set up yet."} <a href=${`#/${audition.id}/draw`}>Go to the draw</a>.</p></main>`;
  }
  return html`<main id="content">
    ${round.handing_in ? null : html`<div class="deeds">
      <a class="button deed" href=${`/room.html?audition_id=${audition.id}`}>Record on this computer</a>
      <${Deed} busy=${act.busy} onClick=${() => act.run(async () => setLink(await call("POST", `/api/auditions/${audition.id}/proctor-link`)))}>Join link for the recording room<//>
    </div>`}
    <${Wrong}>${act.error}<//>
    <${RoundChoice} list=${list} round=${round} choose=${choose} />
    ${round.handing_in ? html`<${HandingInBoard} key=${round.id} round=${round} onChange=${rounds.reload} />` : html`<${Board} key=${round.id} roundId=${round.id} />`}
    ${link ? html`<${JoinLink} title="Join link for the recording room" link=${link} onClose=${() => setLink(null)} />` : null}
  </main>`;
}

/** @param {{roundId: string}} props */
function Board({ roundId }) {
  const pages = usePages();
  const progress = useLoad(() => call("GET", `/api/rounds/${roundId}/progress?${new URLSearchParams({ find: pages.find, offset: String(pages.offset), limit: String(LINES) })}`), [roundId, pages.find, pages.offset]);
  const [looking, setLooking] = useState(/** @type {any} */ (null));
  useEffect(() => {
    const timer = setInterval(() => {
      if (!document.hidden) void progress.reload();
    }, POLL_MS);
    return () => clearInterval(timer);
  }, [roundId]);
  const before = useRef(/** @type {any} */ (null));
  if (progress.data) before.current = progress.data;
  const shown = progress.data ?? before.current; // the search field must not vanish under whoever types in it
  if (!shown) return progress.error ? html`<${Wrong}>${progress.error}<//>` : html`<${Waiting} />`;
  const unfinished = (shown.jobs?.queued ?? 0) + (shown.jobs?.running ?? 0);
  const all = unfinished + (shown.jobs?.done ?? 0) + (shown.jobs?.failed ?? 0);
  return html`
    <${Wrong}>${progress.error}<//>
    ${shown.sentence ? html`<p class="next" role="status">${shown.sentence}</p>` : null}
    ${unfinished && all ? html`<p class="soft">Measured: ${all - unfinished} of ${all}<progress max=${all} value=${all - unfinished} aria-label="Takes measured"></progress></p>` : null}
    ${shown.total > LINES || pages.find ? html`<${Search} label="Find a number" pages=${pages} />` : null}
    <div class="table" tabindex="0" role="region" aria-label="Candidates, takes and sheets"><table>
      <thead><tr><th>Order</th><th>Number</th><th>State</th>
        ${shown.pieces.map((piece) => html`<th>${piece.title}</th>`)}
        ${shown.adjudicators.map((one) => html`<th>Sheet ${one.letter}</th>`)}</tr></thead>
      <tbody>
        ${[...shown.candidates].sort((a, b) => a.playing_order - b.playing_order).map(
          (candidate) => html`<tr>
            <td>${candidate.playing_order}</td>
            <th scope="row">${candidate.blind_number}</th>
            <td>${CANDIDATE_WORDS[candidate.state] ?? candidate.state}</td>
            ${shown.pieces.map((piece) => {
              const take = candidate.takes.find((one) => one.piece_id === piece.piece_id);
              return html`<td>${take
                ? html`${take.word === "look" ? html`<strong>look</strong>` : take.word} <span class="soft small">${measuringText(take)}</span>
                    ${take.measuring?.state === "done" || take.measuring?.state === "failed" ? html`<br /><${Deed} kind="plain" label=${`Findings of number ${candidate.blind_number}, ${piece.title}`} onClick=${() => setLooking({ takeId: take.take_id, title: `Number ${candidate.blind_number}, ${piece.title}` })}>Findings<//>` : null}`
                : html`<span class="soft">no take</span>`}</td>`;
            })}
            ${shown.adjudicators.map((one) => html`<td>${candidate.sheets?.[one.letter] ?? ""}</td>`)}
          </tr>`,
        )}
      </tbody>
    </table></div>
    <${Pages} total=${shown.total} offset=${pages.offset} limit=${LINES} onOffset=${pages.setOffset} what="candidate" />
    ${shown.extras.length ? html`<${Extras} shown=${shown} />` : null}
    ${looking ? html`<${TakeFindings} ...${looking} onClose=${() => setLooking(null)} />` : null}`;
}

/** What the panel hears besides the candidates; it can't tell a repeat from any number. @param {{shown: any}} props */
const Extras = ({ shown }) => html`<h2>Heard besides</h2>
  <p class="soft small">Seen here only. To the panel a repeat is a number like any other; none of this counts in the result.</p>
  <div class="table" tabindex="0" role="region" aria-label="Practice take and hidden repeats"><table>
    <thead><tr><th>What</th>${shown.adjudicators.map((one) => html`<th>Sheet ${one.letter}</th>`)}</tr></thead>
    <tbody>${shown.extras.map(
      (extra) => html`<tr><th scope="row">${extra.kind === "practice" ? "Practice take" : `Number ${extra.blind_number}, which is ${extra.repeats} again`}</th>
        ${shown.adjudicators.map((one) => html`<td>${extra.sheets[one.letter] ?? ""}</td>`)}</tr>`,
    )}</tbody>
  </table></div>`;
