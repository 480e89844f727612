/** The whole recording as a picture: half an hour a line, the sound above, its cuts below. The list says the same in words. */

import { html } from "../parts.js";
import { longClock } from "./times.js";

const LINE_SEC = 1800;
const WIDTH = 1000;
const SOUND = 22; // half the height of the sound
const CUT_TOP = 2 * SOUND + 4;
const CUT_HIGH = 22;
const HIGH = CUT_TOP + CUT_HIGH + 6;
const LABEL_FROM = 34; // narrower cuts carry no number

/**
 * @param {number[]} peaks of this line
 * @param {number} most the loudest of the recording
 * @param {number} wide where the line's sound ends
 */
function outline(peaks, most, wide) {
  const x = (/** @type {number} */ index) => ((index / Math.max(1, peaks.length)) * wide).toFixed(1);
  const h = (/** @type {number} */ value) => Math.max(0.4, (Math.sqrt(value / most)) * SOUND);
  const upper = peaks.map((value, index) => `${x(index)} ${(SOUND - h(value)).toFixed(1)}`);
  const lower = peaks.map((value, index) => `${x(index)} ${(SOUND + h(value)).toFixed(1)}`).reverse();
  return peaks.length ? `M${upper.join("L")}L${lower.join("L")}Z` : "";
}

/**
 * @param {{day: any, numbers: Record<string, string>, chosen: string, onChoose: (id: string) => void}} props
 */
export function Timeline({ day, numbers, chosen, onChoose }) {
  const length = day.line.duration_sec;
  const lines = Math.max(1, Math.ceil(length / LINE_SEC));
  // A short recording fills its line.
  const lineSec = lines === 1 ? Math.max(1, length) : LINE_SEC;
  const most = Math.max(...day.peaks, 1e-6);
  return html`<figure class="day-lines" aria-label="The recording as a picture; the list below says the same in words">
    ${Array.from({ length: lines }, (_, line) => {
      const from = line * lineSec;
      const to = Math.min(length, from + lineSec);
      const share = (/** @type {number} */ sec) => Math.floor((sec / length) * day.peaks.length);
      const peaks = day.peaks.slice(share(from), share(to));
      const here = day.cuts.filter((/** @type {any} */ cut) => cut.end_sec > from && cut.start_sec < to);
      return html`<div class="day-line"><span class="soft small">${longClock(from)}</span>
        <svg viewBox=${`0 0 ${WIDTH} ${HIGH}`} aria-hidden="true">
          <path class="sound" d=${outline(peaks, most, ((to - from) / lineSec) * WIDTH)} />
          ${here.map((/** @type {any} */ cut) => {
            const x = Math.max(0, ((cut.start_sec - from) / lineSec) * WIDTH);
            const wide = Math.max(2, Math.min(WIDTH, ((cut.end_sec - from) / lineSec) * WIDTH) - x);
            if (cut.kind !== "playing") return html`<line class=${cut.kind} x1=${x} x2=${x + wide} y1=${CUT_TOP + CUT_HIGH / 2} y2=${CUT_TOP + CUT_HIGH / 2} />`;
            const kind = ["cut", cut.state.replace(" ", "-"), cut.cut_id === chosen ? "chosen" : ""].join(" ");
            return html`<g class=${kind} onClick=${() => onChoose(cut.cut_id)}>
              <rect x=${x} y=${CUT_TOP} width=${wide} height=${CUT_HIGH} rx="2" />
              ${wide >= LABEL_FROM && numbers[cut.candidate_id] ? html`<text x=${x + 4} y=${CUT_TOP + 16}>${numbers[cut.candidate_id]}</text>` : null}
            </g>`;
          })}
        </svg></div>`;
    })}
    <figcaption class="soft small">Framed: playing, proposed. Filled: confirmed. Framed with dashes: set aside. A full line is talk, a dotted one noise.</figcaption>
  </figure>`;
}
