/** Standing: the ranked result with its uncertainty, by numbers until the round is opened. */

import { call } from "../../core/api.js";
import { LINES, Pages, Search, usePages } from "../pages.js";
import { Ask, Deed, Waiting, Wrong, html, useEffect, useLoad, useRef, useState } from "../parts.js";
import { RoundChoice, useRounds } from "./rounds.js";
import { Agreement, Reports } from "./standing-agreement.js";
import { StandingPicture, chanceText } from "./standing-picture.js";
import { Questions } from "./standing-questions.js";
import { BeingOpened, WorkingOut, isBusy } from "./standing-working.js";
import { HearAgain, Record } from "./standing-record.js";

/** @param {{audition: any, reload: () => Promise<void>, more: string}} props */
export function Standing({ audition, reload, more }) {
  const { rounds, list, round, choose } = useRounds(audition.id, more);
  if (!rounds.data) return html`<main id="content"><${Wrong}>${rounds.error}<//>${rounds.error ? null : html`<${Waiting} />`}</main>`;
  if (!round || (round.state !== "drawn" && round.state !== "opened")) {
    return html`<main class="narrow" id="content"><p class="next">There is no standing before the draw. <a href=${`#/${audition.id}/draw`}>Go to the draw</a>.</p></main>`;
  }
  const refresh = async () => {
    await Promise.all([rounds.reload(), reload()]);
  };
  return html`<main id="content">
    <${RoundChoice} list=${list} round=${round} choose=${choose} />
    <${OneStanding} key=${round.id} audition=${audition} round=${round} onOpened=${refresh} />
  </main>`;
}

/** @param {{audition: any, round: any, onOpened: () => Promise<void>}} props */
function OneStanding({ audition, round, onOpened }) {
  const pages = usePages();
  const query = new URLSearchParams({ find: pages.find, offset: String(pages.offset), limit: String(LINES) });
  const standing = useLoad(() => call("GET", `/api/rounds/${round.id}/standing?${query}`), [round.id, round.state, pages.find, pages.offset]);
  const [opening, setOpening] = useState(false);
  const openedNow = standing.data?.opened && round.state !== "opened"; // a worker has done it
  useEffect(() => {
    if (openedNow) void onOpened();
  }, [openedNow]);
  const before = useRef(/** @type {any} */ (null));
  if (standing.data) before.current = standing.data;
  const shown = standing.data ?? before.current; // the search field must not vanish under whoever types in it
  if (!shown) return standing.error ? html`<${Wrong}>${standing.error}<//><${Deed} onClick=${standing.reload}>Try again<//>` : html`<${Waiting} what="Working out the standing" />`;
  const rows = shown.rows ?? [];
  const missing = shown.missing ?? [];
  const long = shown.total > LINES || pages.find !== "" || pages.offset > 0;
  const ranked = rows.length > 0 || long;
  // What the panel agrees on has a place of its own below.
  const toWorkOut = shown.working && !shown.working.worked_out_at; // which the section below says
  const sentences = (shown.sentences ?? []).filter((sentence) => !toWorkOut && (!ranked || sentence !== shown.agreement?.sentence));
  return html`
    ${sentences.map((sentence, index) => html`<p class=${index === 0 ? "next" : ""}>${sentence}</p>`)}
    ${shown.tabulation_hash && round.second_check ? html`<p>Code of this tabulation, for the second person to compare: <span class="hash"><strong>${shown.tabulation_hash.slice(0, 16).match(/.{4}/g)?.join(" ")}</strong></span></p>` : null}
    ${(shown.not_heard ?? []).length ? html`<p>Not heard, and in no ranking (that is no zero): ${shown.not_heard.map((/** @type {any} */ one) => `${one.blind_number} (${one.state})`).join(", ")}.</p>` : null}
    ${missing.length
      ? html`<div class="notice wrong"><p>${shown.opened ? "Opened without:" : "Still to come:"}</p><ul class="plain">${missing.map((one) => html`<li>${textOf(one)}</li>`)}</ul></div>`
      : null}
    ${shown.working ? html`<${WorkingOut} what="standing" address=${`/api/rounds/${round.id}/standing/work-out`} final=${round.state === "opened"} working=${shown.working} onChange=${standing.reload} />` : null}
    ${long ? html`<${Search} label=${shown.opened ? "Find a number or name" : "Find a number"} pages=${pages} />` : null}
    ${long && !rows.length ? html`<p class="soft" role="status">Nobody is found by that.</p>` : null}
    ${ranked
      ? rows.length && html`<${StandingPicture} rows=${rows} brackets=${shown.brackets ?? []} seats=${shown.seats} opened=${shown.opened} offset=${pages.find ? null : pages.offset} total=${shown.total} />
          <${Pages} total=${shown.total} offset=${pages.offset} limit=${LINES} onOffset=${pages.setOffset} what="candidate" />`
      : toWorkOut ? null : html`<p class="next">No sheet has been sent yet, so nothing can be ranked. Watch them come in under <a href=${`#/${audition.id}/room`}>Recording room</a>.</p>`}
    ${shown.opened
      ? html`<p>This round is opened: names stand beside numbers, here and on the sheets. <a href=${`#/${audition.id}/sheets`}>Print the sheets</a>.</p>`
      : html`<div class="deeds"><${Deed} kind="deed" onClick=${() => setOpening(true)} why=${isBusy(shown.being_opened) ? "It is being opened." : (shown.why_not_open ?? "")}>Open the round<//></div>
          ${shown.being_opened ? html`<${BeingOpened} working=${shown.being_opened} onChange=${standing.reload} />` : null}
          <p class="soft small">Names are sealed. Opening shows them, fixes this standing and is kept in the audit list with your name and the time.</p>`}
    ${rows.length ? html`<${AsTable} key="table" shown=${shown} rows=${rows} />` : null}
    ${ranked
      ? html`<${HearAgain} audition=${audition} round=${round} shown=${shown} onMade=${onOpened} />
          <${Questions} questions=${shown.questions ?? []} waits=${shown.questions_wait} />
          <${Agreement} shown=${shown} />
          <${Reports} reports=${shown.adjudicators ?? []} />`
      : null}
    ${shown.doubt?.why_none ? html`<p class="soft">${shown.doubt.why_none}</p>` : null}
    <${Record} round=${round} shown=${shown} />
    ${opening
      ? html`<${Ask}
          title="Open the round?"
          sentences=${[
            ...(missing.length ? [...missing.map(textOf), "Opening now goes without this."] : ["Every sheet is in."]),
            "The names appear and the standing is fixed as it is. This can't be taken back.",
          ]}
          reason=${missing.length ? "Why it is not waited for" : ""}
          deed="Open it now"
          onClose=${() => setOpening(false)}
          onDo=${async (reason) => {
            await call("POST", `/api/rounds/${round.id}/open`, { reason });
            await onOpened();
            await standing.reload();
          }}
        />`
      : null}`;
}

/** @param {any} one a sentence, or an object that carries one */
const textOf = (one) => (typeof one === "string" ? one : (one.sentence ?? JSON.stringify(one)));

/** @param {number | null | undefined} value */
const number = (value) => (value === null || value === undefined ? "—" : Number(value).toFixed(2));

const SEAT_WORDS = { seat: "seat", alternate: "alternate", undecided: "undecided", none: "" };

/** @param {any} row */
function seatText(row) {
  if (!row.seat) return "";
  return row.seat === "alternate" && row.alternate ? `alternate ${row.alternate}` : (SEAT_WORDS[row.seat] ?? row.seat);
}

/** @param {any} row */
function lieText(row) {
  if (row.why_unplaced) return row.why_unplaced;
  if (!row.place_low) return "";
  return row.place_low === row.place_high ? String(row.place_low) : `${row.place_low} to ${row.place_high}`;
}

/** @param {{shown: any, rows: any[]}} props */
function AsTable({ shown, rows }) {
  const captions = Object.keys(rows[0].captions ?? {});
  const places = rows.some((row) => row.mark !== null && row.mark !== undefined && row.total !== null && Math.abs(row.mark - row.total) > 0.0001);
  return html`<details>
    <summary>The same as a table, with captions</summary>
    <div class="table" tabindex="0" role="region" aria-label="Standing as a table"><table>
      <thead><tr><th>Place</th><th>Number</th>${shown.opened ? html`<th>Name</th>` : null}<th class="right">Merged</th>${places ? html`<th class="right">Ranked by</th>` : null}
        ${captions.map((key) => html`<th class="right">${shown.caption_names?.[key] ?? key}</th>`)}<th>May lie at</th>${shown.seats ? html`<th>Chance of a seat</th><th>Seat</th>` : null}</tr></thead>
      <tbody>${rows.map(
        (row) => html`<tr><td>${row.place ?? "—"}${row.tied ? " tied" : ""}</td><th scope="row">${row.blind_number}</th>${shown.opened ? html`<td>${row.name ?? ""}</td>` : null}
          <td class="right">${number(row.mark ?? row.total)}</td>${places ? html`<td class="right">${number(row.total)}</td>` : null}${captions.map((key) => html`<td class="right">${number(row.captions[key])}</td>`)}
          <td>${lieText(row)}</td>${shown.seats ? html`<td>${chanceText(row.chance_of_seat)}</td><td>${seatText(row)}</td>` : null}</tr>`,
      )}</tbody>
    </table></div>
    ${places && shown.total_meaning ? html`<p class="soft small">Ranked by: ${shown.total_meaning}</p>` : null}
  </details>`;
}
