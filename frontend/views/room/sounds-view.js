/** What may sound before a take, as the audition declares: the tuning note and a metronome. */

import { metronome, tuningNote } from "../../core/sounds.js";
import { html, useEffect, useRef, useState } from "../parts.js";

/**
 * @param {{sounds: {tuning_note: boolean, count_in_bars: number, metronome: boolean, click: boolean}, a4Hz: number, writtenA: string, pulse: any,
 *   context: AudioContext | null, hush: {current: (() => number) | null}}} props hush: stops whatever sounds; returns the context time from which it is silent
 */
export function Sounds({ sounds, a4Hz, writtenA, pulse, context, hush }) {
  const [sounding, setSounding] = useState(""); // "" | note | metronome
  /** @type {{current: (() => number | void) | null}} */
  const stop = useRef(null);
  const silence = () => {
    const silentAt = stop.current?.() ?? context?.currentTime ?? 0;
    stop.current = null;
    setSounding("");
    return silentAt;
  };
  useEffect(() => {
    hush.current = silence;
    return () => {
      silence();
      hush.current = null;
    };
  }, [context]);
  const toggle = (/** @type {string} */ what, /** @type {() => () => number | void} */ begin) => {
    const was = sounding;
    silence();
    if (was === what) return;
    stop.current = begin();
    setSounding(what);
  };
  const tunes = sounds.tuning_note && writtenA !== ""; // a drum has nothing to tune
  if (!context || (!tunes && !(sounds.metronome && pulse))) return null;
  const note = writtenA === "A" ? `A = ${a4Hz} Hz` : `A = ${a4Hz} Hz, written ${writtenA.replace("b", "♭").replace("#", "♯")}`;
  return html`<div class="deeds sounds" role="group" aria-label="Sounds before the take">
      ${tunes
        ? html`<button type="button" aria-pressed=${sounding === "note" ? "true" : "false"} onClick=${() => toggle("note", () => tuningNote(context, a4Hz))}>${sounding === "note" ? "Stop the tuning note" : `Tuning note (${note})`}</button>`
        : null}
      ${sounds.metronome && pulse
        ? html`<button type="button" aria-pressed=${sounding === "metronome" ? "true" : "false"}
            onClick=${() => toggle("metronome", () => metronome(context, { bpm: pulse.beats_per_minute, beats: pulse.beats }))}>${sounding === "metronome" ? "Stop the metronome" : `Metronome (${Math.round(pulse.beats_per_minute)})`}</button>`
        : null}
    </div>
    ${pulse?.count_in_beats ? html`<p class="soft">${pulse.count_in_beats} beats are counted in; ${pulse.sentence}</p>` : null}`;
}
