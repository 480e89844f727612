/** One piece: its engraving, the bars that are heard, the tonic, and the phrases the leader marks. */

import { call, fetchText } from "../../core/api.js";
import { Check, Choice, Deed, Drawing, Field, Line, Said, Waiting, Wrong, html, useAct, useEffect, useLoad, useRef, useState } from "../parts.js";
import { pitchText } from "../pitch-text.js";
import { UntypedPiece } from "./untyped-piece.js";

const SVG = "http://www.w3.org/2000/svg";
const ROLES = [
  { key: "start_note_id", name: "Start" },
  { key: "peak_note_id", name: "Peak" },
  { key: "end_note_id", name: "End" },
];
const MARK_SIZE = 1.3; // in the drawing's own units, spaces of the staff; our choice
const REACH_PX = 40; // our choice: a finger's width around a note head
const TONICS = ["C", "C#", "Db", "D", "D#", "Eb", "E", "F", "F#", "Gb", "G", "G#", "Ab", "A", "A#", "Bb", "B", "Cb"];

/** @param {any} note */
const noteName = (note, unpitched) => `bar ${note.bar}, beat ${beatText(note.beat)}${unpitched ? "" : `: ${pitchText(note.written_pitch)}`}${note.grace ? " (grace)" : ""}`;

/** @param {number} beat */
const beatText = (beat) => (Number.isInteger(beat) ? String(beat) : beat.toFixed(2).replace(/0+$/, ""));

/**
 * Write the marks of the phrases into the engraving, below the system of their notes and its bar numbers.
 * @param {SVGElement} svg
 * @param {any[]} phrases
 * @param {any[]} notes
 */
function drawMarks(svg, phrases, notes) {
  for (const old of svg.querySelectorAll("[data-mark]")) old.remove();
  const root = /** @type {SVGSVGElement} */ (svg);
  const toRoot = root.getScreenCTM()?.inverse();
  if (!toRoot) return;
  const place = (/** @type {number} */ x, /** @type {number} */ y) => new DOMPoint(x, y).matrixTransform(toRoot);
  const numbers = [...svg.querySelectorAll(".bar-numbers text")].map((text) => text.getBoundingClientRect());
  const byId = new Map(notes.map((note) => [note.note_id, note]));
  phrases.forEach((phrase, index) => {
    for (const role of ROLES) {
      const note = byId.get(phrase[role.key]);
      const drawn = (note?.engraved_ids ?? []).map((id) => svg.querySelector(`#${CSS.escape(id)}`)).find(Boolean);
      if (!drawn) continue;
      const head = (drawn.querySelector(".notehead") ?? drawn).getBoundingClientRect();
      const system = (drawn.closest(".placed-system") ?? drawn).getBoundingClientRect();
      const below = numbers.filter((box) => box.top > head.top).map((box) => box.bottom);
      const bottom = Math.max(system.bottom, below.length ? Math.min(...below) : 0);
      const at = place((head.left + head.right) / 2, bottom);
      const text = document.createElementNS(SVG, "text");
      text.setAttribute("data-mark", role.key);
      text.setAttribute("x", at.x.toFixed(2));
      text.setAttribute("y", (at.y + MARK_SIZE).toFixed(2));
      text.setAttribute("font-size", String(MARK_SIZE));
      text.setAttribute("text-anchor", "middle");
      text.setAttribute("fill", "var(--low)");
      text.textContent = `${index + 1} ${role.name.toLowerCase()}`;
      svg.append(text);
    }
  });
}

/**
 * The note whose head lies nearest to a tap; none when no head is near. Heads are small, so nobody need hit one exactly.
 * @param {SVGElement} svg
 * @param {any[]} notes
 * @param {number} x of the tap, px in the window
 * @param {number} y
 */
function nearestNote(svg, notes, x, y) {
  let nearest = null;
  let least = REACH_PX;
  for (const note of notes) {
    for (const id of note.engraved_ids) {
      const drawn = svg.querySelector(`#${CSS.escape(id)}`);
      if (!drawn) continue;
      const box = (drawn.querySelector(".notehead") ?? drawn).getBoundingClientRect();
      const away = Math.hypot(x - (box.left + box.right) / 2, y - (box.top + box.bottom) / 2);
      if (away < least) {
        least = away;
        nearest = note;
      }
    }
  }
  return nearest;
}

/** @param {any} piece @returns {any} what can be changed about it */
const formOf = (piece) => ({
  title: piece.title,
  first_bar: piece.first_bar ?? "",
  last_bar: piece.last_bar ?? "",
  repeats: piece.repeats,
  tonic: piece.tonic ?? "",
  mode: piece.mode ?? "",
  phrases: piece.phrases
    .filter((phrase) => !phrase.guessed)
    .map(({ start_note_id, peak_note_id, end_note_id }) => ({ start_note_id, peak_note_id: peak_note_id ?? "", end_note_id })),
});

/**
 * Only what was changed is sent: what follows from the notation (a tonic from the key, say) goes on following from it.
 * @param {any} before
 * @param {any} now
 */
function changesBetween(before, now) {
  /** @type {Record<string, unknown>} */
  const changes = {};
  for (const key of Object.keys(now)) {
    if (JSON.stringify(now[key]) === JSON.stringify(before[key])) continue;
    changes[key] = key === "phrases" ? now.phrases.map((phrase) => ({ ...phrase, peak_note_id: phrase.peak_note_id || null })) : now[key] === "" ? null : now[key];
  }
  return changes;
}

/** @param {{id: string, instruments: Record<string, string>, onChange: () => Promise<void>}} props */
export function PieceView({ id, instruments, onChange }) {
  const loaded = useLoad(() => call("GET", `/api/pieces/${id}`), [id]);
  if (loaded.error) return html`<${Wrong}>${loaded.error}<//>`;
  if (!loaded.data) return html`<${Waiting} />`;
  if (loaded.data.kind === "untyped") return html`<${UntypedPiece} piece=${loaded.data} instruments=${instruments} onSaved=${async () => void (await Promise.all([loaded.reload(), onChange()]))} />`;
  return html`<${NotatedPiece} id=${id} loaded=${loaded} instruments=${instruments} onChange=${onChange} />`;
}

/** @param {{id: string, loaded: {data: any, reload: () => Promise<unknown>}, instruments: Record<string, string>, onChange: () => Promise<void>}} props */
function NotatedPiece({ id, loaded, instruments, onChange }) {
  const engraving = useLoad(() => fetchText(`/api/pieces/${id}/engraving.svg`), [id]);
  const act = useAct();
  const [form, setForm] = useState(/** @type {any} */ (null));
  const [said, setSaid] = useState("");
  const [target, setTarget] = useState({ phrase: 0, role: "start_note_id" });
  /** @type {{current: SVGElement | null}} */
  const drawn = useRef(null);
  const piece = loaded.data;
  useEffect(() => {
    if (!piece) return;
    setForm(formOf(piece));
  }, [piece]);
  useEffect(() => {
    if (drawn.current && form && piece) drawMarks(drawn.current, form.phrases, piece.notes);
  });
  if (!piece || !form) return html`<${Waiting} />`;
  const set = (change) => {
    setSaid("");
    setForm((before) => ({ ...before, ...change }));
  };
  const setPhrase = (index, change) => set({ phrases: form.phrases.map((phrase, at) => (at === index ? { ...phrase, ...change } : phrase)) });
  const noteOptions = [{ key: "", name: "choose a note" }, ...piece.notes.map((note) => ({ key: note.note_id, name: noteName(note, piece.unpitched) }))];
  const bars = piece.bars;
  const pick = (event) => {
    const found = drawn.current ? nearestNote(drawn.current, piece.notes, event.clientX, event.clientY) : null;
    if (!found || form.phrases.length === 0) return;
    const index = Math.min(target.phrase, form.phrases.length - 1);
    setPhrase(index, { [target.role]: found.note_id });
    const at = ROLES.findIndex((role) => role.key === target.role);
    if (at < ROLES.length - 1) setTarget({ phrase: index, role: ROLES[at + 1].key });
  };
  const unfinished = form.phrases.findIndex((phrase) => !phrase.start_note_id || !phrase.end_note_id);
  const save = (event) => {
    event.preventDefault();
    void act.run(async () => {
      await call("PATCH", `/api/pieces/${id}`, changesBetween(formOf(piece), { ...form, title: form.title.trim() }));
      await Promise.all([loaded.reload(), engraving.reload(), onChange()]);
      setSaid("What you marked is saved.");
    });
  };
  const guessed = (piece.phrases ?? []).filter((phrase) => phrase.guessed).length;
  return html`<h2>${piece.title}</h2>
    <p class="soft">${[instruments[piece.instrument] ?? piece.instrument, piece.tempo_text].filter(Boolean).join(" · ")}</p>
    ${(piece.warnings ?? []).length ? html`<div class="notice">${piece.warnings.map((warning) => html`<p>${warning}</p>`)}</div>` : null}
    <${Wrong}>${engraving.error}<//>
    ${engraving.data
      ? html`<${Drawing} kind="engraving" svg=${engraving.data} label=${`Engraving of ${piece.title}`} onClick=${pick}
          onReady=${(svg) => {
            drawn.current = svg;
            drawMarks(svg, form.phrases, piece.notes);
          }} />`
      : engraving.error ? null : html`<${Waiting} what="Engraving" />`}
    <form onSubmit=${save}>
      <${Line} label="Title" value=${form.title} onValue=${(title) => set({ title })} required maxlength="160" />
      <div class="row">
        <${Choice} label="Heard from bar" short disabled=${piece.has_takes} value=${String(form.first_bar)} onValue=${(first_bar) => set({ first_bar })} options=${[{ key: "", name: "the first" }, ...bars.map((key) => ({ key, name: key }))]} />
        <${Choice} label="to bar" short disabled=${piece.has_takes} value=${String(form.last_bar)} onValue=${(last_bar) => set({ last_bar })} options=${[{ key: "", name: "the last" }, ...bars.map((key) => ({ key, name: key }))]} />
        ${piece.unpitched ? null : html`<${Choice} label="Tonic for the drone, as written" value=${form.tonic} onValue=${(tonic) => set({ tonic })} options=${[{ key: "", name: "from the key" }, ...TONICS.map((key) => ({ key, name: pitchText(key) }))]} />
        <${Choice} label="Mode" short value=${form.mode} onValue=${(mode) => set({ mode })} options=${[...new Set(["", "major", "minor", form.mode])].map((key) => ({ key, name: key || "from the key" }))} />`}
      </div>
      <${Check} label="Repeats are played" checked=${form.repeats} disabled=${piece.has_takes} onValue=${(repeats) => set({ repeats })} />
      ${piece.has_takes ? html`<p class="soft small">This piece has a take, so its bars stay; its phrases can still be marked.</p>` : null}
      <h3>Phrases</h3>
      <p>${form.phrases.length
        ? "Choose a note for the marked field below, or tap it in the engraving."
        : guessed
          ? `No phrase is marked, so ${guessed === 1 ? "one phrase is" : `${guessed} phrases are`} guessed from slurs, rests and breath marks. Mark them yourself and the sheets speak of your phrases.`
          : "No phrase is marked. Mark where each one starts, peaks and ends, and the sheets speak of your phrases."}</p>
      ${form.phrases.map(
        (phrase, index) => html`<fieldset>
          <legend>Phrase ${index + 1}</legend>
          <div class="row start">
            ${ROLES.map(
              (role) => html`<${Field} label=${role.name} hint=${target.phrase === index && target.role === role.key ? "a tap in the engraving goes here" : null}>
                <select value=${phrase[role.key] ?? ""} onFocus=${() => setTarget({ phrase: index, role: role.key })} onChange=${(event) => setPhrase(index, { [role.key]: event.currentTarget.value })}>
                  ${noteOptions.map((option) => html`<option value=${option.key} selected=${option.key === (phrase[role.key] ?? "")}>${role.key === "peak_note_id" && option.key === "" ? "no peak marked" : option.name}</option>`)}
                </select>
              <//>`,
            )}
            <div class="cell"><${Deed} kind="plain" label=${`Remove phrase ${index + 1}`} onClick=${() => set({ phrases: form.phrases.filter((_, at) => at !== index) })}>Remove<//></div>
          </div>
        </fieldset>`,
      )}
      <div class="deeds">
        <${Deed} onClick=${() => {
          setTarget({ phrase: form.phrases.length, role: "start_note_id" });
          set({ phrases: [...form.phrases, { start_note_id: "", peak_note_id: "", end_note_id: "" }] });
        }}>Mark a phrase<//>
      </div>
      <${Wrong}>${act.error}<//>
      <${Said}>${said}<//>
      <${Deed} type="submit" kind="deed" busy=${act.busy} why=${unfinished >= 0 ? `Phrase ${unfinished + 1} needs a start and an end.` : ""}>Save the piece<//>
    </form>`;
}
