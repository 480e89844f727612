/** Remarks, tied to a bar where one was tapped, and remarks kept to be used again. */

import { forgetRemark, keepRemark, keptRemarks } from "../../core/kept-remarks.js";
import { Choice, Deed, Line, html, useState } from "../parts.js";

/**
 * @param {{remarks: import("../../core/marks.js").Remark[], piece: any, pieces: any[], locked: boolean, owner: string,
 *   written: import("../../core/drafts.js").Written, onWrite: (change: {text?: string, bar?: string | null}) => void,
 *   onRemarks: (remarks: import("../../core/marks.js").Remark[], written: import("../../core/drafts.js").Written) => void}} props
 *   written: the remark that is being written; onRemarks: the new remarks and what is still being written
 */
export function Remarks({ remarks, piece, pieces, locked, owner, written, onWrite, onRemarks }) {
  const [kept, setKept] = useState(() => keptRemarks(owner));
  const { text, bar } = written;
  const bars = [...new Set((piece?.bars ?? []).map((one) => String(typeof one === "object" ? one.number : one)))];
  const add = (sentence, left) => onRemarks([...remarks, { piece_id: piece?.piece_id ?? null, bar: bar || null, text: sentence }], { text: left, bar: null });
  const submit = (event) => {
    event.preventDefault();
    if (text.trim()) add(text.trim(), "");
  };
  const titleOf = (id) => (pieces.length > 1 && id !== piece?.piece_id ? (pieces.find((one) => one.piece_id === id)?.title ?? "") : "");
  return html`<h3>Remarks</h3>
    ${remarks.length === 0 && locked ? html`<p class="soft">No remark was written.</p>` : null}
    ${remarks.map(
      (remark, index) => html`<div class="remark">
        <p>${titleOf(remark.piece_id) ? html`<span class="soft">${titleOf(remark.piece_id)} </span>` : null}${remark.bar ? html`<strong>bar ${remark.bar}</strong> ${" "}` : null}${remark.text}</p>
        <span>
          ${kept.includes(remark.text) ? null : html`<${Deed} kind="plain" label=${`Keep for other numbers: ${remark.text}`} onClick=${() => setKept(keepRemark(owner, remark.text))}>Keep<//>`}
          ${locked ? null : html`<${Deed} kind="plain" label=${`Remove the remark: ${remark.text}`} onClick=${() => onRemarks(remarks.filter((_, at) => at !== index), written)}>Remove<//>`}
        </span>
      </div>`,
    )}
    ${locked
      ? null
      : html`<form onSubmit=${submit}>
          <p class="soft small" role="status">${bar ? `About bar ${bar}.` : "Tap a bar in the music or the waveform, or choose one, to write about it."}</p>
          <div class="row start">
            <${Choice} label="Bar" short value=${bar ?? ""} onValue=${(value) => onWrite({ bar: value || null })} options=${[{ key: "", name: "the whole" }, ...bars.map((key) => ({ key, name: key }))]} />
            <${Line} label="Remark" value=${text} onValue=${(value) => onWrite({ text: value })} maxlength="500" />
          </div>
          <${Deed} type="submit" why=${text.trim() ? "" : "Write the remark first."} showWhy=${false}>Add the remark<//>
        </form>
        ${kept.length
          ? html`<details class="kept">
              <summary>Kept remarks (${kept.length})</summary>
              <p class="soft small">Touch one to add it${bar ? ` to bar ${bar}` : ""}. They are kept on this tablet, for you alone.</p>
              <ul class="plain">${kept.map(
                (sentence) => html`<li class="remark">
                  <button type="button" onClick=${() => add(sentence, text)}>${sentence}</button>
                  <${Deed} kind="plain" label=${`Forget: ${sentence}`} onClick=${() => setKept(forgetRemark(owner, sentence))}>Forget<//>
                </li>`,
              )}</ul>
            </details>`
          : null}`}`;
}
