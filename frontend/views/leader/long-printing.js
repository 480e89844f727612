/** Printing a long round: a worker draws its sheets; they are fetched when they are there. */

import { call } from "../../core/api.js";
import { Deed, Wrong, counted, html, useAct } from "../parts.js";
import { clockText, isBusy, usePolling } from "./standing-working.js";

/**
 * What a worker draws: how far it is, of when it is, having it done, stopping it.
 * @param {{what: string, kind: string, round: any, working: any, onChange: () => Promise<void>, children?: any}} props
 *   what: "the score sheet"; children: how it is fetched, once it is there
 */
export function DrawnByWorker({ what, kind, round, working, onChange, children }) {
  const act = useAct();
  const busy = isBusy(working);
  usePolling(busy, onChange);
  const address = `/api/rounds/${round.id}/printing/${kind}`;
  const ask = (/** @type {"POST" | "DELETE"} */ method) =>
    act.run(async () => {
      await call(method, address);
      await onChange();
    });
  const there = working.worked_out_at;
  const said = there
    ? `Drawn on ${clockText(there)}. ${working.is_current ? "Nothing has changed since." : "Sheets, findings or settings have changed since."}`
    : `This round is long, so ${what} ${what.endsWith("s") ? "are" : "is"} drawn by a worker, once, and kept to be fetched.`;
  const doing = busy ? ` ${working.state === "queued" ? "Waiting for a worker" : `Being drawn${working.text ? `: ${working.text}` : ""}`}. You may leave this page.` : "";
  return html`<section aria-label=${`Drawing ${what}`}>
    <p role="status">${said}${doing}</p>
    ${busy ? html`<p><progress max="1" value=${working.progress} aria-label=${`How much of ${what} is drawn`}></progress></p>` : null}
    ${working.state === "failed" ? html`<${Wrong}>${working.text}<//>` : null}
    <${Wrong}>${act.error}<//>
    ${there ? children : null}
    ${busy || !working.is_current
      ? html`<div class="deeds">${busy
          ? html`<${Deed} busy=${act.busy} onClick=${() => ask("DELETE")}>Stop drawing<//>`
          : html`<${Deed} kind=${there ? "" : "deed"} busy=${act.busy} onClick=${() => ask("POST")}>${there ? `Draw ${what} anew` : `Draw ${what}`}<//>`}</div>`
      : null}
  </section>`;
}

/** @param {{round: any, printed: number, most: number}} props the printed comment sheets in files of so many */
export function FilesOfSheets({ round, printed, most }) {
  const begins = Array.from({ length: Math.ceil(printed / most) }, (_, at) => at * most);
  const link = (/** @type {number} */ begin) => {
    const last = Math.min(begin + most, printed);
    return html`<a class="button" href=${`/api/rounds/${round.id}/comment-sheets.zip?offset=${begin}&limit=${most}`} download=${`comment sheets ${begin + 1} to ${last} ${round.name}.zip`}>Save ${begin + 1} to ${last}, ZIP</a>`;
  };
  return html`<details open=${begins.length <= 6}>
    <summary>Save ${counted(printed, "sheet")} in ${counted(begins.length, "file")}, in playing order</summary>
    <div class="deeds">${begins.map(link)}</div>
  </details>`;
}
