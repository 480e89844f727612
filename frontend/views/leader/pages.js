/** Turning the pages of a long list that the server gives a page at a time. */

import { Deed, html } from "../parts.js";

/** @param {{total: number, offset: number, limit: number, onOffset: (offset: number) => void, what: string, whats?: string}} props */
export function Pages({ total, offset, limit, onOffset, what, whats = `${what}s` }) {
  if (total <= limit && offset === 0) return null;
  const last = Math.min(offset + limit, total);
  return html`<nav class="deeds" aria-label=${`Pages of ${whats}`}>
    <${Deed} why=${offset === 0 ? "This is the first page." : ""} showWhy=${false} onClick=${() => onOffset(Math.max(0, offset - limit))}>Earlier<//>
    <span role="status">${total === 0 ? `no ${whats}` : `${offset + 1} to ${last} of ${total} ${total === 1 ? what : whats}`}</span>
    <${Deed} why=${last >= total ? "This is the last page." : ""} showWhy=${false} onClick=${() => onOffset(offset + limit)}>Later<//>
  </nav>`;
}
