/** An adjudicator who is away for part of a round: which cells stay empty, and why. */

import { call } from "../../core/api.js";
import { Choice, Deed, Line, Wrong, html, useAct, useLoad, useState } from "../parts.js";

/** @param {{audition: any, round: any, turns: any[], all: boolean}} props turns: in order of playing, all or a page */
export function Away({ audition, round, turns, all }) {
  const base = `/api/rounds/${round.id}/absences`;
  const away = useLoad(() => call("GET", base), [round.id]);
  const panel = useLoad(() => call("GET", `/api/auditions/${audition.id}/adjudicators`), [audition.id]);
  const act = useAct();
  const [adjudicator, setAdjudicator] = useState("");
  const [from, setFrom] = useState("");
  const [to, setTo] = useState("");
  const [reason, setReason] = useState("");
  const numbers = turns.map((line) => ({ key: line.turn.candidate_id, name: line.turn.blind_number }));
  const submit = (/** @type {Event} */ event) => {
    event.preventDefault();
    const keys = numbers.map((one) => one.key);
    const [first, last] = [keys.indexOf(from), keys.indexOf(to || from)].sort((a, b) => a - b);
    void act.run(async () => {
      await call("POST", base, { adjudicator_id: adjudicator, candidate_ids: keys.slice(first, last + 1), reason: reason.trim() });
      setReason("");
      await away.reload();
    });
  };
  const why = !adjudicator ? "Choose the adjudicator." : !from ? "Choose the first number." : !reason.trim() ? "Write the reason." : "";
  const pick = [{ key: "", name: "choose" }];
  return html`<h3>An adjudicator is away</h3>
    <p>What is not marked stays missing. It never counts as zero, and the standing says so.${all ? "" : " To choose from are the numbers on the page above; turn it for others."}</p>
    <${Wrong}>${away.error || panel.error || act.error}<//>
    ${(away.data ?? []).length
      ? html`<ul class="plain lined">${away.data.map(
          (one) => html`<li class="above"><span>${one.letter} is away for number ${one.blind_number} <span class="soft">(${one.reason})</span></span>
            ${round.state === "drawn" ? html`<${Deed} kind="plain" label=${`${one.letter} was there for number ${one.blind_number}`} onClick=${() => act.run(async () => { await call("DELETE", `/api/absences/${one.id}`); await away.reload(); })}>Was there<//>` : null}</li>`,
        )}</ul>`
      : null}
    ${round.state === "drawn"
      ? html`<form onSubmit=${submit} class="row start">
          <${Choice} label="Adjudicator" short value=${adjudicator} onValue=${setAdjudicator} options=${[...pick, ...(panel.data ?? []).map((one) => ({ key: one.id, name: `${one.letter}, ${one.name}` }))]} />
          <${Choice} label="from number" short value=${from} onValue=${setFrom} options=${[...pick, ...numbers]} />
          <${Choice} label="to number" short value=${to} onValue=${setTo} options=${[{ key: "", name: "only that one" }, ...numbers]} />
          <${Line} label="Reason" value=${reason} onValue=${setReason} maxlength="300" />
          <div class="cell"><${Deed} type="submit" busy=${act.busy} why=${why}>Note it<//></div>
        </form>`
      : null}`;
}
