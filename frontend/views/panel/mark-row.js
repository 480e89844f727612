/**
 * One caption: squares to touch, the sentence of the chosen level beside them. A radio group for keyboard and ear; touching
 * the chosen square again takes the mark back.
 */

import { descriptor, scale } from "../../core/marks.js";
import { html } from "../parts.js";

/**
 * @param {{name: string, rubric: import("../../core/marks.js").Rubric, caption: import("../../core/marks.js").Caption, mark: number | undefined, locked: boolean, onMark: (mark: number | undefined) => void}} props
 */
export function MarkRow({ name, rubric, caption, mark, locked, onMark }) {
  const sentence = descriptor(caption, mark) || "not yet marked";
  return html`<fieldset class="caption" role="radiogroup" aria-labelledby=${`head-${caption.key}`} aria-describedby=${`level-${caption.key}`}>
    <div class="top">
      <h3 id=${`head-${caption.key}`}>${caption.name}</h3>
      <p class="descriptor" id=${`level-${caption.key}`} aria-live="polite">${sentence}</p>
    </div>
    <div class="squares">
      ${scale(rubric).map(
        (value, index) => html`<label class="square">
          <input type="radio" id=${`mark-${caption.key}-${index + 1}`} name=${name} value=${value} checked=${mark === value} disabled=${locked}
            onClick=${() => onMark(mark === value ? undefined : value)} />
          <span>${value}</span>
        </label>`,
      )}
    </div>
  </fieldset>`;
}
