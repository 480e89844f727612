/** What can be done with a standing: hear some again, compare with what was frozen, take the marks elsewhere. */

import { call } from "../../core/api.js";
import { Deed, Wrong, dateText, html, useAct, useEffect, useState } from "../parts.js";
import { WorkingOut } from "./standing-working.js";

/** @param {string[]} numbers */
const listed = (numbers) => (numbers.length === 1 ? `Number ${numbers[0]}` : `Numbers ${numbers.slice(0, -1).join(", ")} and ${numbers[numbers.length - 1]}`);

const MOST_NAMED = 24; // numbers that are read in a line; more are counted and stand behind it. Our choice

/** @param {{numbers: string[]}} props */
const Named = ({ numbers }) =>
  numbers.length <= MOST_NAMED
    ? listed(numbers)
    : html`<details><summary>${numbers.length} numbers</summary><p class="small">${numbers.join(", ")}</p></details>`;

/** @param {{audition: any, round: any, shown: any, onMade: () => Promise<void>}} props */
export function HearAgain({ audition, round, shown, onMade }) {
  const act = useAct();
  const again = shown.hear_again ?? [];
  const brackets = (shown.brackets ?? []).filter((numbers) => numbers.join() !== again.join());
  if (again.length === 0 && brackets.length === 0) return null;
  const make = (numbers) =>
    act.run(async () => {
      const made = await call("POST", `/api/rounds/${round.id}/rehearing`, { numbers });
      await onMade();
      location.hash = `#/${audition.id}/draw/${made.id}`;
    });
  const line = (numbers, why) => html`<li class="above"><span><${Named} numbers=${numbers} />${numbers.length <= MOST_NAMED ? html`<br />` : null}<span class="soft small">${why}</span></span>
    ${numbers.length > 1 ? html`<${Deed} busy=${act.busy} label=${`Set up a re-hearing of ${numbers.length <= MOST_NAMED ? listed(numbers).toLowerCase() : `${numbers.length} numbers from ${numbers[0]} on`}`} onClick=${() => make(numbers)}>Set up a re-hearing<//>` : null}</li>`;
  const rest = brackets.map((numbers) => line(numbers, "This panel can't tell them apart."));
  return html`<h2>Who to hear again</h2>
    <p class="soft small">A re-hearing is a new round with a new draw: same pieces, new numbers, and only the seats that are in question.</p>
    <${Wrong}>${act.error}<//>
    ${again.length ? html`<ul class="plain lined">${line(again, again.length > 1 ? "Their seats are in question: another panel of this kind might well decide otherwise." : "This seat alone is in question; hear the number together with its neighbours below.")}</ul>` : null}
    ${rest.length ? (again.length ? html`<details><summary>By bracket</summary><ul class="plain lined">${rest}</ul></details>` : html`<ul class="plain lined">${rest}</ul>`) : null}`;
}

/** @param {any} doubt */
function methodText(doubt) {
  if (!doubt?.draws || doubt.why_none) return "";
  if (doubt.method === "model") {
    return `Intervals and chances come from ${doubt.draws.toLocaleString("en")} draws from the model “number + adjudicator”, seed ${doubt.seed}: each draws severities and the spread of the marks anew, as far as these marks leave them open, and takes the numbers as a sample of such a field. Nobody is left unheard by it.`;
  }
  const panels = `${doubt.draws.toLocaleString("en")} panels of ${doubt.panel_size}`;
  return doubt.method === "exhaustive"
    ? `Intervals and chances come from every panel that could be drawn from these adjudicators: ${panels}.`
    : `Intervals and chances come from ${panels} drawn at random from these adjudicators, seed ${doubt.seed}.`;
}

/** @param {{round: any, shown: any}} props */
export function Record({ round, shown }) {
  const act = useAct();
  const [compared, setCompared] = useState(/** @type {any} */ (null));
  const address = `/api/rounds/${round.id}/standing/compare`;
  const look = async () => setCompared(await call("GET", address));
  const compare = () => act.run(look);
  const isLong = Boolean(shown.opened && shown.working); // a worker compares it, and what it found is kept
  useEffect(() => {
    if (isLong) void compare();
  }, [isLong]);
  const method = methodText(shown.doubt);
  return html`<h2>How it was worked out</h2>
    ${shown.rule_sentence ? html`<p>${shown.rule_sentence}</p>` : null}
    ${method ? html`<p class="soft small">${method}</p>` : null}
    <dl class="facts">
      ${shown.input_hash ? html`<dt>Hash of what went in</dt><dd class="hash">${shown.input_hash}</dd>` : null}
      ${shown.opened ? html`<dt>Frozen</dt><dd>${dateText(shown.opened_at)}</dd><dt>Hash of the frozen standing</dt><dd class="hash">${shown.standing_hash}</dd>` : null}
    </dl>
    ${shown.opened
      ? html`${isLong
            ? compared && html`<${WorkingOut} what="comparison" does="Recompute and compare" again=${true} address=${address} working=${compared.working} onChange=${look} />`
            : html`<${Deed} busy=${act.busy} onClick=${compare}>Recompute and compare<//>`}
          <${Wrong}>${act.error}<//>
          <div role="status">${compared && compared.same !== null
            ? html`<div class=${compared.same ? "notice" : "notice wrong"}><p>${compared.sentence}</p>
                ${compared.differs.length ? html`<ul class="plain">${compared.differs.map((one) => html`<li>${one}</li>`)}</ul>` : null}
                <p class="small">Hash of what goes in today: <span class="hash">${compared.input_hash_now}</span></p></div>`
            : null}</div>`
      : html`<p class="soft small">${shown.working ? "Opening the round works it out anew from the sheets, and freezes it." : "Worked out anew from the sheets whenever this screen is opened; opening the round freezes it."}</p>`}
    <h3>Take the marks elsewhere</h3>
    <p class="soft small">${shown.opened ? "With names, because the round is opened." : "By numbers and letters, no names."} The command <span class="hash">fairhearing panel</span> reads both.</p>
    <div class="deeds">
      <a class="button" href=${`/api/rounds/${round.id}/marks.csv`} download>Save all marks, CSV</a>
      <a class="button" href=${`/api/rounds/${round.id}/marks.xlsx`} download>Save marks and standing, XLSX</a>
    </div>`;
}
