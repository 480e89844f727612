/** Marks typed from paper at speed: digits jump to the next box, in the order the boxes stand on the paper. */

import { html, useEffect, useId, useRef, useState } from "./parts.js";

/** @typedef {Record<string, Record<string, number>>} Marks */

/**
 * @param {{rows: [string, string][], captions: [string, string][], low: number, high: number, deed: string, busy: boolean, hint?: string, onDone: (marks: Marks) => Promise<unknown> | void}} props
 *   rows and captions: key and name; `onDone` gets every mark, once all boxes are filled
 */
export function MarksGrid({ rows, captions, low, high, deed, busy, hint = "", onDone }) {
  const [typed, setTyped] = useState(/** @type {Record<string, string>} */ ({}));
  /** @type {{current: HTMLFormElement | null}} */
  const form = useRef(null);
  const id = useId();
  useEffect(() => boxes()[0]?.focus(), []);
  const boxes = () => /** @type {HTMLInputElement[]} */ ([...(form.current?.querySelectorAll("input") ?? [])]);
  const after = (/** @type {HTMLInputElement} */ box, /** @type {string} */ text = "") => {
    const all = boxes();
    const next = all[all.indexOf(box) + 1];
    if (!next) return form.current?.querySelector("button")?.focus();
    next.focus();
    if (text) set(next.name)(text);
    return undefined;
  };
  const set = (/** @type {string} */ name) => (/** @type {string} */ text) => setTyped((before) => ({ ...before, [name]: text }));
  const full = (/** @type {string} */ text) => text !== "" && Number(`${text}0`) > high;
  const onInput = (/** @type {any} */ event) => {
    const box = event.currentTarget;
    const text = box.value.replace(/\D/g, "").slice(0, 3);
    set(box.name)(text);
    if (full(text)) after(box);
  };
  const onKeyDown = (/** @type {any} */ event) => {
    const box = event.currentTarget;
    if (/^\d$/.test(event.key) && box.value && box.selectionStart === box.selectionEnd && Number(box.value + event.key) > high) {
      // "1" may be the beginning of "10": any other digit belongs to the next box.
      event.preventDefault();
      after(box, event.key);
    } else if (event.key === "Backspace" && !box.value) {
      event.preventDefault();
      const all = boxes();
      all[all.indexOf(box) - 1]?.focus();
    } else if (event.key === "Enter" && boxes().indexOf(box) < boxes().length - 1) {
      event.preventDefault();
      after(box);
    }
  };
  const names = rows.flatMap(([row]) => captions.map(([caption]) => `${row} ${caption}`));
  const wrong = names.filter((name) => typed[name] !== undefined && typed[name] !== "" && !(Number(typed[name]) >= low && Number(typed[name]) <= high));
  const open = names.filter((name) => !typed[name]).length;
  const why = wrong.length ? `Marks run from ${low} to ${high}.` : open ? `${open} ${open === 1 ? "box is" : "boxes are"} still empty.` : "";
  const submit = (/** @type {Event} */ event) => {
    event.preventDefault();
    if (why || busy) return;
    void onDone(Object.fromEntries(rows.map(([row]) => [row, Object.fromEntries(captions.map(([caption]) => [caption, Number(typed[`${row} ${caption}`])]))])));
  };
  return html`<form ref=${form} onSubmit=${submit} class="marks-grid">
    <div class="table"><table>
      <thead><tr><th><span class="unseen">Piece</span></th>${captions.map(([, name]) => html`<th>${name}</th>`)}</tr></thead>
      <tbody>${rows.map(
        ([row, title]) => html`<tr><th scope="row">${title}</th>
          ${captions.map(
            ([caption, name]) => html`<td><input name=${`${row} ${caption}`} aria-label=${`${title}, ${name}`} inputmode="numeric" autocomplete="off" size="3" value=${typed[`${row} ${caption}`] ?? ""}
              aria-invalid=${wrong.includes(`${row} ${caption}`) ? "true" : undefined} onInput=${onInput} onKeyDown=${onKeyDown} /></td>`,
          )}</tr>`,
      )}</tbody>
    </table></div>
    ${hint ? html`<p class="hint">${hint}</p>` : null}
    <button type="submit" class="deed" aria-disabled=${why || busy ? "true" : undefined} aria-describedby=${why ? id : undefined}>${busy ? "One moment …" : deed}</button>
    ${why ? html`<span class="why" id=${id}>${why}</span>` : null}
  </form>`;
}
