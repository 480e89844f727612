/** Turning the pages of a long list that the server gives a page at a time. */

import { Deed, Line, html, useState } from "./parts.js";

export const LINES = 100; // our choice: a few screenfuls

/**
 * What of a long list is looked at. Searching goes back to the first page.
 * @returns {{find: string, offset: number, setFind: (text: string) => void, setOffset: (offset: number) => void}}
 */
export function usePages() {
  const [place, setPlace] = useState({ find: "", offset: 0 });
  return {
    ...place,
    setFind: (find) => setPlace({ find, offset: 0 }),
    setOffset: (offset) => setPlace((before) => ({ ...before, offset })),
  };
}

/** @param {{label: string, pages: {find: string, setFind: (text: string) => void}}} props */
export const Search = ({ label, pages }) =>
  html`<form role="search" onSubmit=${(/** @type {Event} */ event) => event.preventDefault()}>
    <${Line} label=${label} type="search" value=${pages.find} onValue=${pages.setFind} maxlength="100" />
  </form>`;

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
