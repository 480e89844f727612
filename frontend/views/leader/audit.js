/** The audit list: who did what and when, chained by hashes. */

import { callPage } from "../../core/api.js";
import { LINES, Pages, usePages } from "../pages.js";
import { Waiting, Wrong, dateText, html, useLoad } from "../parts.js";

const LONG_HEX = /[0-9a-f]{16,}/g;

/** @param {string} text @returns {string} ids and hashes shortened to what an eye compares */
const short = (text) => text.replace(LONG_HEX, (found) => `${found.slice(0, 8)}…`);

/** @param {any} facts */
const factsText = (facts) =>
  Object.entries(facts ?? {})
    .filter(([, value]) => value !== null && value !== "")
    .map(([key, value]) => `${key.replaceAll("_", " ")} ${short(typeof value === "object" ? JSON.stringify(value).replace(/["{}[\]]/g, "").replaceAll(",", ", ") : String(value))}`)
    .join("; ");

/** @param {{audition: any}} props */
export function AuditList({ audition }) {
  const pages = usePages();
  const audit = useLoad(() => callPage(`/api/auditions/${audition.id}/audit`, { offset: pages.offset, limit: LINES }), [audition.id, pages.offset]);
  const entries = audit.data?.lines ?? [];
  return html`<main id="content">
    <p>Every step that matters, in order, with numbers and no names. Each entry carries the hash of the one before, so nothing can be taken out or put in unseen.</p>
    <${Wrong}>${audit.error}<//>
    ${audit.data ? null : audit.error ? null : html`<${Waiting} />`}
    ${audit.data && entries.length === 0 ? html`<p class="next">Nothing has happened yet.</p>` : null}
    ${entries.length
      ? html`<div class="table" tabindex="0" role="region" aria-label="Audit list"><table class="cards">
          <thead><tr><th>When</th><th>What</th><th>Who</th><th>More</th><th>Hash</th></tr></thead>
          <tbody>${entries.map(
            (entry) => html`<tr><td class="nowrap">${dateText(entry.at)}</td><th scope="row">${entry.sentence ?? entry.action.replaceAll(/[-_.]/g, " ")}</th><td class="nowrap">${short(entry.actor ?? "").replace(":", " ")}</td>
              <td class="small">${factsText(entry.facts)}</td><td class="hash nowrap">${(entry.hash ?? "").slice(0, 12)}</td></tr>`,
          )}</tbody>
        </table></div>
        <${Pages} total=${audit.data?.total ?? 0} offset=${pages.offset} limit=${LINES} onOffset=${pages.setOffset} what="entry" whats="entries" />`
      : null}
  </main>`;
}
