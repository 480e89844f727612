/** Checks through the microphone: a long tone, and the same note again. Nothing of it is kept or sent. */

import { listen } from "../../core/listening.js";
import { whyNoRecording } from "../../core/recorder.js";
import { ReturnCheck, ToneListener, longToneSentence, writtenName } from "../../core/tones.js";
import { Choice, Deed, Wrong, html, sentenceOf, useEffect, useRef, useState } from "../parts.js";

const MOST_ANSWERS = 6; // our choice
const NEEDLE_CENTS = 50;

/** @param {any} tone @returns {string} */
const toneName = (tone) => `${tone.name} ${tone.place}${tone.lies_cents === null ? "" : `, in your take ${tone.lies_cents > 0 ? "+" : "−"}${Math.abs(tone.lies_cents).toFixed(0)}`}`;

/** @param {{settings: any, a4Hz: number, transposition: number, quiet: {current: Set<() => void>}}} props */
export function ListenView({ settings, a4Hz, transposition, quiet }) {
  const why = whyNoRecording();
  const [kind, setKind] = useState("long");
  const [midi, setMidi] = useState(String(settings.returns[0]?.sounding_midi ?? ""));
  const [on, setOn] = useState(false);
  const [now, setNow] = useState(/** @type {import("../../core/tones.js").Tone | null} */ (null));
  const [answers, setAnswers] = useState(/** @type {string[]} */ ([]));
  const [next, setNext] = useState("");
  const [error, setError] = useState("");
  const stopHearing = useRef(/** @type {(() => void) | null} */ (null));
  const starting = useRef(false);
  const target = midi === "" ? null : Number(midi);
  const needsNote = kind === "return" && target === null ? "Choose the note first." : "";
  const stop = () => {
    stopHearing.current?.();
    stopHearing.current = null;
    setOn(false);
    setNow(null);
    setNext("");
  };
  const say = (/** @type {string} */ sentence) => setAnswers((before) => [sentence, ...before].slice(0, MOST_ANSWERS));
  const start = async () => {
    if (starting.current) return;
    starting.current = true;
    setError("");
    for (const hush of quiet.current) hush();
    const tones = new ToneListener(a4Hz);
    const back = kind === "return" && target !== null ? new ReturnCheck(target, transposition) : null;
    try {
      stopHearing.current = await listen(
        (frame) => {
          const ended = tones.hear(frame);
          setNow(tones.now());
          if (!ended) return;
          if (!back) say(longToneSentence(ended, target, transposition));
          else {
            const answer = back.hear(ended);
            if (answer) say(answer.sentence);
            setNext(back.next);
          }
        },
        (sentence) => {
          setError(sentence);
          stop();
        },
      );
      setNext(back ? back.next : "Play and hold. When the tone ends, its figures stand here.");
      setOn(true);
    } catch (trouble) {
      setError(sentenceOf(trouble));
    } finally {
      starting.current = false;
    }
  };
  // Another task or note means another check.
  useEffect(() => stop, [kind, midi]);
  const anyNote = kind === "long" ? [{ key: "", name: "whatever I play" }] : [{ key: "", name: "choose" }];
  const options = [...anyNote, ...settings.tones.map((tone) => ({ key: String(tone.sounding_midi), name: toneName(tone) }))];
  const off = now ? Math.max(-NEEDLE_CENTS, Math.min(NEEDLE_CENTS, now.cents)) : 0;
  return html`<section>
    <h3>Listen to me</h3>
    <p class="soft">The sound stays on this device: nothing of it is kept or sent. Drone and clicks fall silent meanwhile.</p>
    ${settings.returns.length ? html`<p>In your take ${settings.returns.slice(0, 3).map((one) => `${one.name} came back ${Math.abs(one.cents).toFixed(0)} cents ${one.cents > 0 ? "higher" : "lower"} (${one.where})`).join("; ")}.</p>` : null}
    <div class="row start">
      <${Choice} label="What" value=${kind} onValue=${setKind} options=${[{ key: "long", name: "a long tone" }, { key: "return", name: "the same note again" }]} />
      <${Choice} label="Note" value=${midi} onValue=${setMidi} options=${options} />
    </div>
    <div class="deeds"><${Deed} kind=${on ? "" : "deed"} onClick=${on ? stop : start} why=${why || (on ? "" : needsNote)}>${on ? "Stop listening" : "Listen"}<//></div>
    <${Wrong}>${error}<//>
    ${on
      ? html`<p class="next">${next}</p>
          <svg class="needle" viewBox="-60 0 120 30" role="img" aria-label="How far the tone lies from the note">
            <path d="M-50 20H50M0 12V28M-25 17V23M25 17V23M-50 17V23M50 17V23" stroke="var(--edge)" stroke-width="0.7" fill="none" />
            ${now ? html`<rect x=${Math.min(0, off)} width=${Math.max(0.8, Math.abs(off))} y="18" height="4" fill=${off < 0 ? "var(--low)" : "var(--high)"} />
              <text x="0" y="9" font-size="8" text-anchor="middle" fill="var(--ink)">${writtenName(now.midi, transposition)} ${now.cents > 0 ? "+" : "−"}${Math.abs(now.cents).toFixed(0)}</text>` : null}
          </svg>`
      : null}
    <div role="log" aria-label="What was heard">${answers.map((sentence) => html`<p>${sentence}</p>`)}</div>
  </section>`;
}
