/** Three ways to bring in a piece: a notation file, typed bars, a generated scale. */

import { call } from "../../core/api.js";
import { Check, Choice, Deed, Drawing, Field, Line, Wrong, html, sentenceOf, useAct, useEffect, useRef, useState } from "../parts.js";

const FIRST_BARS = `M:4/4
L:1/8
Q:1/4=96
K:C
`;
const CHECK_AFTER_MS = 350; // our choice: after this pause in typing

/** @param {string[]} keys */
const named = (keys) => keys.map((key) => ({ key, name: key }));

const MODES = {
  scale: named(["major", "natural minor", "harmonic minor", "melodic minor", "dorian", "phrygian", "lydian", "mixolydian", "locrian", "whole tone"]),
  arpeggio: named(["major", "minor", "augmented", "diminished", "dominant seventh", "major seventh", "minor seventh", "half-diminished seventh", "diminished seventh"]),
};
const TONICS = ["C", "G", "D", "A", "E", "B", "F#", "C#", "F", "Bb", "Eb", "Ab", "Db", "Gb", "Cb", "G#", "D#", "A#"].map((key) => ({
  key,
  name: key.replace("#", "♯").replace("b", "♭"),
}));
const KINDS = [
  { key: "scale", name: "Scale" },
  { key: "arpeggio", name: "Arpeggio" },
  { key: "chromatic", name: "Chromatic run" },
];
const RHYTHMS = [
  { key: "quarters", name: "quarters" },
  { key: "eighths", name: "eighths" },
  { key: "triplets", name: "triplets" },
  { key: "sixteenths", name: "sixteenths" },
  { key: "dotted", name: "dotted eighth, sixteenth" },
  { key: "long-short-short", name: "quarter, two eighths" },
];
const BEAT_UNITS = named(["quarter", "eighth", "dotted quarter", "half", "dotted half"]);
const BRITISH = { sixteenth: "semiquaver", eighth: "quaver", quarter: "crotchet", half: "minim" };

/**
 * Note values in the words the audition uses.
 * @param {{key: string, name: string}[]} options
 * @param {string} names "american" or "british"
 */
const inWordsOf = (options, names) =>
  names === "british"
    ? options.map(({ key, name }) => ({ key, name: name.replace(/sixteenth|eighth|quarter|half/g, (word) => BRITISH[/** @type {keyof typeof BRITISH} */ (word)]) }))
    : options;
const DIRECTIONS = [
  { key: "up-down", name: "up and down" },
  { key: "up", name: "up" },
  { key: "down", name: "down" },
];

/** @param {{audition: any, instruments: {key: string, name: string}[], onDone: (piece: any) => Promise<void>}} props */
export function AddNotation({ audition, instruments, onDone }) {
  const act = useAct();
  const [file, setFile] = useState(/** @type {File | null} */ (null));
  const [title, setTitle] = useState("");
  const [parts, setParts] = useState(/** @type {any[]} */ ([]));
  const [part, setPart] = useState("");
  const [instrument, setInstrument] = useState("");
  const choose = (event) => {
    const chosen = event.currentTarget.files[0] ?? null;
    setFile(chosen);
    setParts([]);
    setPart("");
    if (!chosen) return;
    if (!title) setTitle(chosen.name.replace(/\.[^.]+$/, "").replaceAll("_", " "));
    void act.run(async () => {
      const form = new FormData();
      form.append("file", chosen);
      const found = await call("POST", "/api/notation/parts", form);
      setParts(found);
      if (found.length) setPart(String(found[0].index));
      if (found[0]?.instrument) setInstrument(found[0].instrument);
    });
  };
  const submit = (event) => {
    event.preventDefault();
    if (!file) return;
    void act.run(async () => {
      const form = new FormData();
      form.append("file", file);
      form.append("title", title.trim());
      if (instrument) form.append("instrument", instrument);
      if (part !== "") form.append("part", part);
      await onDone(await call("POST", `/api/auditions/${audition.id}/pieces/notation`, form));
    });
  };
  return html`<form onSubmit=${submit}>
    <${Field} label="Notation file" hint="MusicXML (.musicxml, .xml, .mxl) or Standard MIDI (.mid)">
      <input type="file" accept=".musicxml,.xml,.mxl,.mid,.midi" onChange=${choose} />
    <//>
    <${Line} label="Title" value=${title} onValue=${setTitle} required maxlength="160" />
    ${parts.length > 1
      ? html`<${Choice} label="Part" value=${part} onValue=${setPart} options=${parts.map((one, index) => ({ key: String(one.index), name: one.name || `Part ${index + 1}` }))} hint="The file has several parts; one is played." />`
      : null}
    <${Choice} label="Instrument the page is written for" value=${instrument} onValue=${setInstrument} options=${[{ key: "", name: "as the file says" }, ...instruments]} />
    <${Wrong}>${act.error}<//>
    <${Deed} type="submit" kind="deed" busy=${act.busy} why=${file ? "" : "Choose a file first."}>Add this piece<//>
  </form>`;
}

/** @param {{audition: any, instruments: {key: string, name: string}[], onDone: (piece: any) => Promise<void>}} props */
export function AddAbc({ audition, instruments, onDone }) {
  const act = useAct();
  const keepAt = `fairhearing.typed.${audition.id}`;
  const [text, setText] = useState(() => localStorage.getItem(keepAt) ?? FIRST_BARS);
  const [title, setTitle] = useState("");
  const [instrument, setInstrument] = useState("clarinet-bb");
  const [check, setCheck] = useState(/** @type {any} */ (null));
  const [trouble, setTrouble] = useState("");
  const turn = useRef(0);
  useEffect(() => {
    localStorage.setItem(keepAt, text);
    const mine = (turn.current += 1);
    const timer = setTimeout(async () => {
      try {
        const found = await call("POST", "/api/abc/check", { text, instrument });
        if (mine === turn.current) {
          setCheck(found);
          setTrouble("");
        }
      } catch (error) {
        if (mine === turn.current) setTrouble(sentenceOf(error));
      }
    }, CHECK_AFTER_MS);
    return () => clearTimeout(timer);
  }, [text, instrument]);
  const submit = (event) => {
    event.preventDefault();
    void act.run(async () => {
      const piece = await call("POST", `/api/auditions/${audition.id}/pieces/abc`, { text, title: title.trim(), instrument });
      localStorage.removeItem(keepAt);
      await onDone(piece);
    });
  };
  const said = [...new Set([...(check?.problems ?? []), ...(check?.bars ?? []).filter((bar) => !bar.ok).map((bar) => bar.sentence)])].filter(
    (sentence) => sentence && sentence !== check.sentence,
  );
  return html`<form onSubmit=${submit}>
    <div class="typing">
      <div>
        <${Line} label="Title" value=${title} onValue=${setTitle} required maxlength="160" />
        <${Choice} label="Instrument the page is written for" value=${instrument} onValue=${setInstrument} options=${instruments} />
        <${Field} label="Bars as ABC text">
          <textarea class="typed" spellcheck="false" autocapitalize="off" value=${text} onInput=${(event) => setText(event.currentTarget.value)}></textarea>
        <//>
        <details>
          <summary>How to type notes</summary>
          <p class="small">M: metre, L: the length of a plain letter, Q: tempo (Q:3/8=54 is a dotted quarter at 54), K: key. C D E is the octave from middle C, c d e the one above, c' higher, C, lower. A number after a letter makes it longer (C2), a slash shorter (C/2). ^ sharp, _ flat, = natural. z is a rest. (AB) slurs, A-A ties, .A is staccato, !p! and !f! are dynamics, !trill!A a trill, {g} a grace note, | ends a bar.</p>
        </details>
      </div>
      <div>
        <div role="status" aria-live="polite">
          ${trouble ? html`<p>${trouble}</p>` : check ? html`<p>${check.sentence}</p>` : html`<p class="soft">Reading …</p>`}
          ${said.length ? html`<ul class="plain">${said.map((sentence) => html`<li>${sentence}</li>`)}</ul>` : null}
        </div>
        ${check?.svg ? html`<${Drawing} kind="engraving" svg=${check.svg} label="Engraving of the typed bars" />` : null}
      </div>
    </div>
    <${Wrong}>${act.error}<//>
    <${Deed} type="submit" kind="deed" busy=${act.busy} why=${check && !check.ok ? "A bar's length is not right yet; see the sentence beside the text." : ""}>Add this piece<//>
  </form>`;
}

/** @param {{audition: any, instruments: {key: string, name: string}[], onDone: (piece: any) => Promise<void>}} props */
export function AddGenerated({ audition, instruments, onDone }) {
  const act = useAct();
  const [recipe, setRecipe] = useState({
    kind: "scale",
    tonic: "F",
    mode: "major",
    octaves: "2",
    rhythm: "eighths",
    tempo_bpm: "80",
    beat_unit: "quarter",
    metre: "4/4",
    direction: "up-down",
    slurred: false,
    instrument: "clarinet-bb",
  });
  const [title, setTitle] = useState("");
  const set = (key) => (value) => setRecipe((before) => ({ ...before, [key]: value }));
  const setKind = (kind) => setRecipe((before) => ({ ...before, kind, mode: MODES[kind]?.[0].key ?? "major" }));
  const tonicName = TONICS.find((one) => one.key === recipe.tonic)?.name;
  const suggested =
    recipe.kind === "chromatic"
      ? `Chromatic run from ${tonicName}`
      : `${tonicName} ${recipe.mode} ${recipe.kind}`;
  const submit = (event) => {
    event.preventDefault();
    void act.run(async () => {
      const body = { recipe: { ...recipe, octaves: Number(recipe.octaves), tempo_bpm: Number(recipe.tempo_bpm) }, title: title.trim() || suggested };
      await onDone(await call("POST", `/api/auditions/${audition.id}/pieces/generated`, body));
    });
  };
  return html`<form onSubmit=${submit}>
    <${Choice} label="What" value=${recipe.kind} onValue=${setKind} options=${KINDS} />
    <div class="row">
      <${Choice} label="From, as written" value=${recipe.tonic} onValue=${set("tonic")} options=${TONICS} short />
      ${recipe.kind === "chromatic" ? null : html`<${Choice} label="Mode" value=${recipe.mode} onValue=${set("mode")} options=${MODES[recipe.kind]} />`}
      <${Choice} label="Octaves" value=${recipe.octaves} onValue=${set("octaves")} options=${named(["1", "2", "3", "4"])} short />
      <${Choice} label="Direction" value=${recipe.direction} onValue=${set("direction")} options=${DIRECTIONS} />
    </div>
    <div class="row">
      <${Choice} label="Rhythm" value=${recipe.rhythm} onValue=${set("rhythm")} options=${inWordsOf(RHYTHMS, audition.note_names)} />
      <${Choice} label="Metre" value=${recipe.metre} onValue=${set("metre")} options=${named(["4/4", "3/4", "2/4", "6/8", "9/8", "12/8"])} short />
      <${Choice} label="The beat is a" value=${recipe.beat_unit} onValue=${set("beat_unit")} options=${inWordsOf(BEAT_UNITS, audition.note_names)} short />
      <${Line} label="Beats a minute" value=${recipe.tempo_bpm} onValue=${set("tempo_bpm")} type="number" min="20" max="400" required short />
    </div>
    <${Check} label="Slurred" checked=${recipe.slurred} onValue=${set("slurred")} />
    <${Choice} label="Instrument the page is written for" value=${recipe.instrument} onValue=${set("instrument")} options=${instruments} />
    <${Line} label="Title" value=${title} onValue=${setTitle} placeholder=${suggested} maxlength="160" hint=${title ? null : `Left empty, it is called “${suggested}”.`} />
    <${Wrong}>${act.error}<//>
    <${Deed} type="submit" kind="deed" busy=${act.busy}>Add this piece<//>
  </form>`;
}
