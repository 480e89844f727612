/** Questions to listen again: where a mark and the measured mark lie far apart, with a button that plays the bar. */

import { call } from "../../core/api.js";
import { Deed, Wrong, html, sentenceOf, useEffect, useRef, useState } from "../parts.js";
import { TakeFindings } from "./take-findings.js";

const FIRST_QUESTIONS = 5; // our choice: as many as somebody listens to again at once

/**
 * Where a bar sounds in a take.
 * @param {{bar: string, at_sec: number}[]} bars in the order played
 * @param {string} bar
 * @param {number} duration
 * @returns {{from: number, to: number} | null} null when the bar was not heard
 */
export function spanOf(bars, bar, duration) {
  const index = bars.findIndex((one) => String(one.bar) === String(bar));
  if (index < 0) return null;
  return { from: bars[index].at_sec, to: bars[index + 1]?.at_sec ?? duration };
}

/** Plays one stretch of a take at a time. */
function useStretch() {
  const audio = useRef(/** @type {HTMLAudioElement | null} */ (null));
  const frame = useRef(0);
  const [playing, setPlaying] = useState("");
  const [error, setError] = useState("");
  const stop = () => {
    cancelAnimationFrame(frame.current);
    audio.current?.pause();
    setPlaying("");
  };
  useEffect(() => stop, []);
  /** @param {string} key @param {string} takeId @param {string | null} bar null: the whole take */
  const play = async (key, takeId, bar) => {
    stop();
    setError("");
    try {
      const shape = await call("GET", `/api/takes/${takeId}/peaks`);
      const span = bar === null ? { from: 0, to: shape.duration_sec } : spanOf(shape.bars, bar, shape.duration_sec);
      if (span === null) {
        setError(`Bar ${bar} was not found in this take; listen to the whole take instead.`);
        return;
      }
      const element = (audio.current ??= new Audio());
      const address = `/api/takes/${takeId}/playback`;
      if (!element.src.endsWith(address)) element.src = address;
      element.currentTime = span.from;
      await element.play();
      setPlaying(key);
      const follow = () => {
        if (element.paused || element.currentTime >= span.to) stop();
        else frame.current = requestAnimationFrame(follow);
      };
      frame.current = requestAnimationFrame(follow);
    } catch (trouble) {
      setError(trouble instanceof DOMException ? `The take can't be played: ${trouble.message}` : sentenceOf(trouble));
    }
  };
  return { playing, error, play, stop };
}

/** @param {{questions: any[], waits: string | null}} props the widest gaps come first; `waits`: why there are none yet */
export function Questions({ questions, waits }) {
  const [looking, setLooking] = useState(/** @type {any} */ (null));
  const stretch = useStretch();
  if (waits) return html`<h2>Worth hearing again</h2><p class="soft">${waits}</p>`;
  if (questions.length === 0) return null;
  const keyOf = (one, bar) => `${one.take_id}-${one.letter}-${one.caption}-${bar ?? "all"}`;
  const button = (one, bar) => {
    const key = keyOf(one, bar);
    const what = bar === null ? "the take" : `bar ${bar}`;
    const now = stretch.playing === key;
    return html`<${Deed} label=${`${now ? "Stop" : "Play"} ${what} of number ${one.blind_number}`} onClick=${() => (now ? stretch.stop() : void stretch.play(key, one.take_id, bar))}>${now ? "Stop" : `Play ${what}`}<//>`;
  };
  const list = (some) => html`<ul class="plain lined">${some.map(
    (one) => html`<li><p>${one.sentence}</p>
      ${one.take_id
        ? html`<div class="deeds">${(one.bars.length ? one.bars : [null]).map((bar) => button(one, bar))}
            <${Deed} kind="plain" label=${`What was measured of number ${one.blind_number}`} onClick=${() => setLooking({ takeId: one.take_id, title: `Number ${one.blind_number}` })}>What was measured<//></div>`
        : html`<p class="soft small">The marks stand for several takes; hear them one after the other in the recording room's list.</p>`}</li>`,
  )}</ul>`;
  const more = questions.slice(FIRST_QUESTIONS);
  return html`<h2>Worth hearing again</h2>
    <p class="soft small">A mark and the measured mark lie further apart here than both may. Ears or measurement: either can be wrong.</p>
    <${Wrong}>${stretch.error}<//>
    ${list(questions.slice(0, FIRST_QUESTIONS))}
    ${more.length ? html`<details><summary>${more.length} more</summary>${list(more)}</details>` : null}
    ${looking ? html`<${TakeFindings} ...${looking} onClose=${() => setLooking(null)} />` : null}`;
}
