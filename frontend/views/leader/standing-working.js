/** A long round's standing is worked out by a worker: how far it is, of when the lines are, and having it done. */

import { call } from "../../core/api.js";
import { Deed, Wrong, html, useAct, useEffect } from "../parts.js";

const POLL_MS = 2000; // our choice, as for measuring

/** @param {string} moment */
const clockText = (moment) => new Date(moment).toLocaleString("en", { day: "numeric", month: "long", hour: "numeric", minute: "2-digit" });

/** @param {{round: any, working: any, onChange: () => Promise<void>}} props */
export function WorkingOut({ round, working, onChange }) {
  const act = useAct();
  const busy = working.state === "queued" || working.state === "running";
  useEffect(() => {
    if (!busy) return undefined;
    const timer = setInterval(() => {
      if (!document.hidden) void onChange();
    }, POLL_MS);
    return () => clearInterval(timer);
  }, [busy, onChange]);
  if (round.state === "opened" && working.worked_out_at) return null;
  const ask = () =>
    act.run(async () => {
      await call("POST", `/api/rounds/${round.id}/standing/work-out`);
      await onChange();
    });
  const said = working.worked_out_at
    ? `This standing was worked out on ${clockText(working.worked_out_at)}. ${working.is_current ? "Nothing has changed since." : "Sheets, findings or settings have changed since."}`
    : "This round is long, so its standing is worked out once and kept.";
  return html`<section aria-label="Working out the standing" class=${working.worked_out_at && !working.is_current ? "notice" : ""}>
    <p role="status">${said}${busy ? ` It is being worked out${working.text ? `: ${working.text}` : working.state === "queued" ? ", waiting for a worker" : ""}.` : ""}</p>
    ${busy ? html`<p><progress max="1" value=${working.progress} aria-label="Standing worked out"></progress></p>` : null}
    ${working.state === "failed" ? html`<${Wrong}>${working.text}<//>` : null}
    <${Wrong}>${act.error}<//>
    ${!busy && !working.is_current ? html`<div class="deeds"><${Deed} kind=${working.worked_out_at ? "" : "deed"} busy=${act.busy} onClick=${ask}>${working.worked_out_at ? "Work it out anew" : "Work out the standing"}<//></div>` : null}
  </section>`;
}
