/** A metronome with subdivisions and silent bars, and a tempo ladder that goes up when the student says so. */

import { Clicks } from "../../core/practice-sounds.js";
import { Choice, Deed, Line, html, useEffect, useRef, useState } from "../parts.js";

const SLOWEST = 20;
const FASTEST = 300;
const SILENT = [
  { key: "0", name: "none" },
  { key: "1", name: "1 silent after 3" },
  { key: "2", name: "2 silent after 2" },
  { key: "4", name: "4 silent after 4" },
];
/** @type {Record<string, {sounding: number, silent: number}>} */
const PATTERNS = { 0: { sounding: 1, silent: 0 }, 1: { sounding: 3, silent: 1 }, 2: { sounding: 2, silent: 2 }, 4: { sounding: 4, silent: 4 } };

/** @param {{settings: any, level: number, sound: () => AudioContext, quiet: {current: Set<() => void>}}} props */
export function MetronomeView({ settings, level, sound, quiet }) {
  const [step, setStep] = useState(/** @type {number | null} */ (0));
  const [typed, setTyped] = useState(String(settings.ladder[0]));
  const [parts, setParts] = useState(String(settings.parts));
  const [silent, setSilent] = useState("0");
  const [place, setPlace] = useState(/** @type {import("../../core/practice-sounds.js").Place | null} */ (null));
  const clicks = useRef(/** @type {Clicks | null} */ (null));
  const ladder = settings.ladder;
  const wanted = Number(typed.replace(",", "."));
  const good = Number.isFinite(wanted) && wanted >= SLOWEST && wanted <= FASTEST;
  const bpm = good ? wanted : ladder[step ?? 0];
  const setting = { bpm, beats: settings.beats, parts: Number(parts), ...PATTERNS[silent] };
  const stop = () => {
    clicks.current?.stop();
    clicks.current = null;
    setPlace(null);
  };
  const toggle = () => {
    if (clicks.current) stop();
    else {
      clicks.current = new Clicks(sound(), setting, level, setPlace);
      setPlace({ bar: 0, beat: 0, part: 0, silent: false, look: true });
    }
  };
  useEffect(() => clicks.current?.set(setting), [bpm, parts, silent]);
  useEffect(() => clicks.current?.setLevel(level), [level]);
  useEffect(() => {
    quiet.current.add(stop);
    return () => {
      quiet.current.delete(stop);
      clicks.current?.stop();
    };
  }, []);
  const go = (to) => {
    setStep(to);
    setTyped(String(ladder[to]));
  };
  const type = (text) => {
    setTyped(text);
    const on = ladder.indexOf(Number(text));
    setStep(on >= 0 ? on : null);
  };
  const at = step ?? ladder.reduce((found, bpmOf, index) => (bpmOf <= bpm ? index : found), 0);
  const top = at === ladder.length - 1 && bpm >= ladder[at];
  const partNames = [
    { key: "1", name: `${settings.beat_name} only` },
    { key: "2", name: settings.parts === 2 ? `in two: ${settings.part_name}s` : "in two" },
    { key: "3", name: settings.parts === 3 ? `in three: ${settings.part_name}s` : "in three" },
    { key: "4", name: "in four" },
  ];
  return html`<section>
    <h3>Metronome and tempo ladder</h3>
    <p class="soft">${settings.tempo_assumed ? "No tempo is printed; the goal here is" : "The marked tempo is"} ${settings.beat_name} = ${settings.mark_bpm}${settings.clean_bar ? `. The ladder begins at your fastest clean bar (bar ${settings.clean_bar})` : ""}.</p>
    <ol class="plain ladder" aria-label="Tempo ladder">
      ${ladder.map((one, index) => html`<li><button type="button" aria-pressed=${index === step ? "true" : "false"} onClick=${() => go(index)} aria-label=${`${settings.beat_name} = ${one}${index === ladder.length - 1 ? ", the goal" : ""}`}>${one}</button></li>`)}
    </ol>
    <div class="deeds">
      <${Deed} onClick=${() => go(Math.max(0, at - 1))} why=${at === 0 ? "This is the lowest step." : ""} showWhy=${false}>Back a step<//>
      <${Deed} kind="deed" onClick=${() => go(Math.min(ladder.length - 1, at + 1))} why=${top ? "This is the goal." : ""} showWhy=${false}>It was clean: up a step<//>
    </div>
    <p class="soft small">Twice through without a slip, then up; after a slip go back one. You decide. Ten minutes are enough, wherever you are.</p>
    <div class="row start">
      <${Line} label=${`${settings.beat_name} =`} short inputmode="decimal" value=${typed} onValue=${type} hint=${good ? "" : `Type a tempo from ${SLOWEST} to ${FASTEST}.`} />
      <${Choice} label="Clicks in a beat" value=${parts} onValue=${setParts} options=${partNames} />
      <${Choice} label="Silent bars" short value=${silent} onValue=${setSilent} options=${SILENT} hint=${silent === "0" ? "" : "Go on playing: are you with the click when it comes back?"} />
    </div>
    <div class="deeds"><${Deed} kind=${place ? "" : "deed"} onClick=${toggle}>${place ? "Stop the metronome" : "Start the metronome"}<//></div>
    <p class="beats" aria-hidden="true">${Array.from({ length: settings.beats }, (_, beat) => html`<span class=${place && beat === place.beat ? (place.silent ? "now silent" : "now") : ""}>${beat + 1}</span>`)}
      ${place?.silent ? html`<span class="soft">silent bar</span>` : null}</p>
  </section>`;
}
