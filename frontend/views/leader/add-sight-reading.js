/** Sight-reading: a recipe whose notes stay sealed until a candidate's study time begins. */

import { call } from "../../core/api.js";
import { Check, Choice, Deed, Drawing, Line, Wrong, html, useAct, useState } from "../parts.js";

/** @param {string[]} keys */
const named = (keys) => keys.map((key) => ({ key, name: key }));
const TONICS = ["C", "G", "D", "A", "E", "B", "F#", "F", "Bb", "Eb", "Ab", "Db", "Gb", "C#", "G#"].map((key) => ({
  key,
  name: key.replace("#", "♯").replace("b", "♭"),
}));
const VALUES = ["half", "dotted quarter", "quarter", "dotted eighth", "eighth", "sixteenth"];
const BRITISH = { half: "minim", "dotted quarter": "dotted crotchet", quarter: "crotchet", "dotted eighth": "dotted quaver", eighth: "quaver", sixteenth: "semiquaver" };
const LEAPS = [
  { key: "third", name: "a third" },
  { key: "fourth", name: "a fourth" },
  { key: "fifth", name: "a fifth" },
  { key: "sixth", name: "a sixth" },
  { key: "octave", name: "an octave" },
];

/** @param {{audition: any, instruments: {key: string, name: string}[], onDone: (piece: any) => Promise<void>}} props */
export function AddSightReading({ audition, instruments, onDone }) {
  const act = useAct();
  const look = useAct();
  const [svg, setSvg] = useState("");
  const [title, setTitle] = useState("");
  const [recipe, setRecipe] = useState({
    tonic: "G",
    mode: "major",
    instrument: "clarinet-bb",
    metre: "4/4",
    bars: "8",
    values: ["half", "quarter", "eighth"],
    largest_leap: "fifth",
    tempo_bpm: "72",
    lowest: "",
    highest: "",
    each_own: false,
    seed: "",
  });
  const set = (/** @type {string} */ key) => (/** @type {any} */ value) => setRecipe((before) => ({ ...before, [key]: value }));
  const tick = (/** @type {string} */ value) => (/** @type {boolean} */ on) =>
    setRecipe((before) => ({ ...before, values: VALUES.filter((one) => (one === value ? on : before.values.includes(one))) }));
  const body = () => ({ ...recipe, bars: Number(recipe.bars), tempo_bpm: Number(recipe.tempo_bpm), lowest: recipe.lowest.trim(), highest: recipe.highest.trim() });
  const sample = () => look.run(async () => setSvg((await call("POST", "/api/sight-reading/sample", body())).svg));
  const submit = (/** @type {Event} */ event) => {
    event.preventDefault();
    void act.run(async () => onDone(await call("POST", `/api/auditions/${audition.id}/pieces/sight-reading`, { recipe: body(), title: title.trim() })));
  };
  return html`<form onSubmit=${submit}>
    <div class="notice"><p>The notes are sealed: nobody sees them, not even you, until the proctor begins a candidate's study time. No student reads the same notes twice.</p></div>
    <div class="row">
      <${Choice} label="Key, as written" value=${recipe.tonic} onValue=${set("tonic")} options=${TONICS} short />
      <${Choice} label="Mode" value=${recipe.mode} onValue=${set("mode")} options=${named(["major", "minor"])} short />
      <${Choice} label="Metre" value=${recipe.metre} onValue=${set("metre")} options=${named(["2/4", "3/4", "4/4", "6/8"])} short />
      <${Choice} label="Bars" value=${recipe.bars} onValue=${set("bars")} options=${named(["4", "8", "16"])} short />
      <${Line} label="Beats a minute" value=${recipe.tempo_bpm} onValue=${set("tempo_bpm")} type="number" min="30" max="200" required short />
    </div>
    <${Choice} label="Instrument the page is written for" value=${recipe.instrument} onValue=${set("instrument")} options=${instruments} />
    <div class="row">
      <${Line} label="Lowest note, as written" value=${recipe.lowest} onValue=${set("lowest")} maxlength="8" placeholder="such as A3" short />
      <${Line} label="Highest note" value=${recipe.highest} onValue=${set("highest")} maxlength="8" placeholder="such as D5" short />
      <${Choice} label="Largest leap" value=${recipe.largest_leap} onValue=${set("largest_leap")} options=${LEAPS} short />
    </div>
    <p class="hint">Without them the range is a comfortable one for the instrument.</p>
    <fieldset>
      <legend>Note values</legend>
      ${VALUES.map((value) => html`<${Check} label=${audition.note_names === "british" ? BRITISH[/** @type {keyof typeof BRITISH} */ (value)] : value} checked=${recipe.values.includes(value)} onValue=${tick(value)} />`)}
    </fieldset>
    <${Check} label="Each candidate reads other notes (otherwise a round reads the same)" checked=${recipe.each_own} onValue=${set("each_own")} />
    <${Line} label="Seed" value=${recipe.seed} onValue=${set("seed")} maxlength="80" hint="Leave it empty, and one is drawn that nobody knows. Who knows the seed can make the notes beforehand." />
    <${Line} label="Title" value=${title} onValue=${setTitle} maxlength="160" placeholder="Sight-reading" />
    <div class="deeds">
      <${Deed} onClick=${sample} busy=${look.busy}>Look at a sample<//>
      <${Deed} type="submit" kind="deed" busy=${act.busy}>Add this piece<//>
    </div>
    <div aria-live="polite">
      <${Wrong}>${look.error || act.error}<//>
      ${svg ? html`<p class="soft">A sample of the same recipe. The sealed notes are others.</p><${Drawing} kind="engraving" svg=${svg} label="A sample of this recipe, engraved" />` : null}
    </div>
  </form>`;
}
