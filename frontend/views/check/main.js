/** The second person's own device: sheets from paper are read once more, then the tabulation is confirmed. Numbers only. */

import { call } from "../../core/api.js";
import { checkerKey } from "../../core/keys.js";
import { Deed, Head, Line, Said, Waiting, Wrong, html, render, useAct, useEffect, useLoad, useRef, useState } from "../parts.js";
import { LINES, Pages } from "../pages.js";
import { MarksGrid } from "../marks-grid.js";

const POLL_MS = 15_000; // our choice
const token = checkerKey()?.token ?? null;

function Check() {
  const [offset, setOffset] = useState(0); // in the tabulation of a long round
  const check = useLoad(() => call("GET", `/api/check?offset=${offset}`, undefined, { token }), [offset]);
  useEffect(() => {
    const timer = setInterval(() => document.hidden || void check.reload(), POLL_MS);
    return () => clearInterval(timer);
  }, [check.reload]);
  const before = useRef(/** @type {any} */ (null));
  if (check.data) before.current = check.data;
  const shown = check.data ?? before.current;
  if (!shown) {
    return html`<${Head} title="Second person" /><main class="middle"><${Wrong}>${check.error}<//>
      ${check.error && !token ? html`<p>Open the link that the section leader gives you, on your own device. <a href="/">To the front page</a>.</p>` : null}
      ${check.error ? html`<${Deed} onClick=${check.reload}>Try again<//>` : html`<${Waiting} />`}</main>`;
  }
  return html`<${Head} title="Second person" about=${shown.audition_name} />
    <main class="wide" id="content">
      <${Wrong}>${check.error}<//>
      <${FromPaper} waiting=${shown.to_check} reload=${check.reload} />
      ${shown.tabulations.length ? null : html`<p class="next">No round waits to be opened.</p>`}
      ${shown.tabulations.map((one) => html`<${Tabulation} key=${one.round_id} tabulation=${one} reload=${check.reload} onOffset=${setOffset} />`)}
    </main>`;
}

/** @param {{waiting: any[], reload: () => Promise<void>}} props */
function FromPaper({ waiting, reload }) {
  const act = useAct();
  const [said, setSaid] = useState("");
  const sheet = waiting[0];
  const done = (/** @type {any} */ marks) =>
    act.run(async () => {
      const answer = await call("POST", `/api/check/sheets/${sheet.sheet_id}`, { marks }, { token });
      setSaid(answer.agrees ? `Number ${sheet.blind_number}, adjudicator ${sheet.letter}: both of you read the same.` : `Number ${sheet.blind_number}, adjudicator ${sheet.letter} differs. ${answer.differences.join(" ")} Put the sheet aside for the section leader.`);
      await reload();
    });
  if (!sheet && !said) return null;
  return html`<h2>Sheets from paper</h2>
    <${Said}>${said}<//><${Wrong}>${act.error}<//>
    ${sheet
      ? html`<p class="next">${waiting.length === 1 ? "1 sheet waits" : `${waiting.length} sheets wait`}. Take the paper of <strong>adjudicator ${sheet.letter}, number ${sheet.blind_number}</strong> (${sheet.round_name}) and type what stands there.</p>
          <${MarksGrid} key=${sheet.sheet_id} rows=${sheet.rows} captions=${sheet.captions} low=${sheet.low} high=${sheet.high} busy=${act.busy} deed="Compare" onDone=${done} />`
      : html`<p class="next">Every sheet that was to be checked is checked.</p>`}`;
}

/** @param {{tabulation: any, reload: () => Promise<void>, onOffset: (offset: number) => void}} props */
function Tabulation({ tabulation, reload, onOffset }) {
  const act = useAct();
  const [person, setPerson] = useState("");
  const submit = (/** @type {Event} */ event) => {
    event.preventDefault();
    void act.run(async () => {
      await call("POST", `/api/check/rounds/${tabulation.round_id}/confirm`, { hash: tabulation.hash, person: person.trim() }, { token });
      await reload();
    });
  };
  return html`<h2>Tabulation of ${tabulation.round_name}</h2>
    <p>${tabulation.rule_sentence}</p>
    ${tabulation.sentences.map((one) => html`<p>${one}</p>`)}
    ${tabulation.missing.length ? html`<div class="notice wrong"><p>Still to come:</p><ul class="plain">${tabulation.missing.map((one) => html`<li>${one}</li>`)}</ul></div>` : null}
    ${tabulation.not_heard.length ? html`<p>Not heard, and in no ranking: ${tabulation.not_heard.map((one) => `${one.blind_number} (${one.state})`).join(", ")}.</p>` : null}
    ${tabulation.numbers.length
      ? html`<div class="table" tabindex="0" role="region" aria-label=${`Tabulation of ${tabulation.round_name}`}><table>
          <thead><tr><th>Place</th><th>Number</th><th>Total</th><th>Adjudicator</th><th>Piece</th>${tabulation.captions.map((name) => html`<th>${name}</th>`)}</tr></thead>
          <tbody>${tabulation.numbers.flatMap((one) =>
            one.sheets.map(
              (sheet, at) => html`<tr><td>${at ? "" : (one.place ?? "—")}${!at && one.tied ? " tied" : ""}</td><th scope="row">${at ? "" : one.blind_number}</th><td>${at || one.total === null ? "" : one.total.toFixed(2)}</td>
                <td>${sheet.letter}</td><td>${sheet.piece}</td>${sheet.marks.map((mark) => html`<td>${mark ?? "—"}</td>`)}</tr>`,
            ),
          )}</tbody></table></div>
          <${Pages} total=${tabulation.total} offset=${tabulation.offset} limit=${tabulation.total > tabulation.numbers.length ? LINES : tabulation.total} onOffset=${onOffset} what="number" />
          <p>Compare the marks with the sheets, and this code with the section leader's screen:</p>
          <p class="hash"><strong>${tabulation.hash.slice(0, 16).match(/.{4}/g)?.join(" ")}</strong> ${tabulation.hash.slice(16)}</p>`
      : tabulation.missing.length ? null : html`<p class="next">No sheet is in yet.</p>`}
    ${tabulation.confirmed_by
      ? html`<div class="notice"><p>Confirmed by ${tabulation.confirmed_by}. Should a mark change, it must be confirmed anew.</p></div>`
      : tabulation.numbers.length
        ? html`<form onSubmit=${submit} class="row start">
            <${Line} label="Your name" value=${person} onValue=${setPerson} required maxlength="120" />
            <div class="cell"><${Deed} type="submit" kind="deed" busy=${act.busy} why=${person.trim() ? "" : "Write your name first."}>This tabulation is right<//></div>
          </form>`
        : null}
    <${Wrong}>${act.error}<//>`;
}

render(html`<${Check} />`, /** @type {HTMLElement} */ (document.getElementById("screen")));
