/** What of a long round is worked out by a worker: how far it is, of when it is, and having it done. */

import { call } from "../../core/api.js";
import { Deed, Wrong, html, useAct, useEffect } from "../parts.js";

const POLL_MS = 2000; // our choice, as for measuring

/** @param {string} moment */
export const clockText = (moment) => new Date(moment).toLocaleString("en", { day: "numeric", month: "long", hour: "numeric", minute: "2-digit" });

/** @param {any} working */
export const isBusy = (working) => working?.state === "queued" || working?.state === "running";

/** @param {boolean} busy @param {() => Promise<void>} onChange */
export function usePolling(busy, onChange) {
  useEffect(() => {
    if (!busy) return undefined;
    const timer = setInterval(() => {
      if (!document.hidden) void onChange();
    }, POLL_MS);
    return () => clearInterval(timer);
  }, [busy, onChange]);
}

/** @param {{working: any, onChange: () => Promise<void>}} props how far a worker is that opens the round */
export function BeingOpened({ working, onChange }) {
  usePolling(isBusy(working), onChange);
  if (working.state === "failed") return html`<${Wrong}>The round was not opened. ${working.text}<//>`;
  if (!isBusy(working)) return null;
  return html`<section aria-label="Opening the round" class="notice"><p role="status">The round is being opened${working.text ? `: ${working.text}` : working.state === "queued" ? ", waiting for a worker" : ""}. You may leave this page.</p>
    <p><progress max="1" value=${working.progress} aria-label="How far the opening is"></progress></p></section>`;
}

/**
 * @param {{what: string, address: string, working: any, does?: string, final?: boolean, again?: boolean, onChange: () => Promise<void>}} props
 *   what: "standing"; address: to ask at; does: what the button says at first; final: it will never change again;
 *   again: it may be asked for anew even when nothing is known to have changed
 */
export function WorkingOut({ what, address, working, does = `Work out the ${what}`, final = false, again = false, onChange }) {
  const act = useAct();
  const busy = isBusy(working);
  usePolling(busy, onChange);
  if (final && working.worked_out_at) return null;
  const ask = () =>
    act.run(async () => {
      await call("POST", address);
      await onChange();
    });
  const said = working.worked_out_at
    ? `This ${what} was worked out on ${clockText(working.worked_out_at)}. ${working.is_current ? "Nothing has changed since." : "Sheets, findings or settings have changed since."}`
    : `This round is long, so its ${what} is worked out once and kept.`;
  return html`<section aria-label=${`Working out the ${what}`} class=${working.worked_out_at && !working.is_current ? "notice" : ""}>
    <p role="status">${said}${busy ? ` It is being worked out${working.text ? `: ${working.text}` : working.state === "queued" ? ", waiting for a worker" : ""}.` : ""}</p>
    ${busy ? html`<p><progress max="1" value=${working.progress} aria-label=${`How much of the ${what} is worked out`}></progress></p>` : null}
    ${working.state === "failed" ? html`<${Wrong}>${working.text}<//>` : null}
    <${Wrong}>${act.error}<//>
    ${!busy && (again || !working.is_current) ? html`<div class="deeds"><${Deed} kind=${working.worked_out_at ? "" : "deed"} busy=${act.busy} onClick=${ask}>${working.worked_out_at ? "Work it out anew" : does}<//></div>` : null}
  </section>`;
}
