/** Set-up: name, date, tuning, how sheets are printed. */

import { call } from "../../core/api.js";
import { Check, Choice, Deed, Line, Said, Wrong, html, typedNumber, useAct, useState } from "../parts.js";

const TEMPERAMENTS = [
  { key: "equal", name: "Equal temperament" },
  { key: "just", name: "Just intervals over the tonic, for chord figures" },
];
const NOTE_NAMES = [
  { key: "american", name: "American: quarter, eighth" },
  { key: "british", name: "British: crotchet, quaver" },
];
const PAPERS = [
  { key: "letter", name: "Letter" },
  { key: "a4", name: "A4" },
];
const SCORED_PER = [
  { key: "piece", name: "every piece by itself" },
  { key: "candidate", name: "the whole performance once" },
];

const COUNT_INS = [
  { key: "0", name: "no count-in" },
  { key: "1", name: "one bar" },
  { key: "2", name: "two bars" },
];

/** @param {{audition: any, reload: () => Promise<void>}} props */
export function Details({ audition, reload }) {
  const act = useAct();
  const [form, setForm] = useState(() => ({
    name: audition.name,
    organisation: audition.organisation ?? "",
    held_on: audition.held_on,
    a4_hz: String(audition.a4_hz),
    temperament: audition.temperament,
    note_names: audition.note_names,
    paper: audition.paper,
    scored_per: audition.scored_per,
    retention_until: audition.retention_until ?? "",
    room_sounds: audition.room_sounds,
    consent_required: audition.consent_required,
  }));
  const [said, setSaid] = useState("");
  const set = (key) => (value) => {
    setSaid("");
    setForm((before) => ({ ...before, [key]: value }));
  };
  const sound = (key) => (value) => set("room_sounds")({ ...form.room_sounds, [key]: value });
  const submit = (event) => {
    event.preventDefault();
    void act.run(async () => {
      const changed = { ...form, a4_hz: typedNumber(form.a4_hz, "The tuning note"), retention_until: form.retention_until || null };
      if (audition.rule_frozen) delete changed.scored_per;
      await call("PATCH", `/api/auditions/${audition.id}`, changed);
      await reload();
      setSaid("The details are saved.");
    });
  };
  return html`<h2>Details</h2>
    <form onSubmit=${submit}>
      <${Line} label="Name" value=${form.name} onValue=${set("name")} required maxlength="160" />
      <${Line} label="School or organisation" value=${form.organisation} onValue=${set("organisation")} maxlength="160" />
      <${Line} label="Date" type="date" value=${form.held_on} onValue=${set("held_on")} required short />
      <${Line} label="Tuning note A4, Hz" value=${form.a4_hz} onValue=${set("a4_hz")} inputmode="decimal" required short hint="Pitch is measured against this. 440 is the standard." />
      <${Choice} label="Chord figures are judged in" value=${form.temperament} onValue=${set("temperament")} options=${TEMPERAMENTS} />
      <${Choice} label="The panel scores" value=${form.scored_per} onValue=${set("scored_per")} options=${SCORED_PER} disabled=${audition.rule_frozen} hint=${audition.rule_frozen ? "Fixed since the rule was declared and takes came in." : "Per piece, each piece has its own marks and its own weight."} />
      <${Choice} label="Note names" value=${form.note_names} onValue=${set("note_names")} options=${NOTE_NAMES} />
      <${Choice} label="Paper" value=${form.paper} onValue=${set("paper")} options=${PAPERS} />
      <fieldset>
        <legend>In the recording room, before a take</legend>
        <${Check} label="A tuning note can be sounded" checked=${form.room_sounds.tuning_note} onValue=${sound("tuning_note")} />
        <${Check} label="A metronome at the piece's mark can be sounded" checked=${form.room_sounds.metronome} onValue=${sound("metronome")} />
        <${Choice} label="Every take is counted in with" value=${String(form.room_sounds.count_in_bars)} onValue=${(bars) => sound("count_in_bars")(Number(bars))} options=${COUNT_INS} hint="A count-in, tuning note and metronome end before the recording begins." />
        <${Check} label="A click at the piece's mark goes on through every take" checked=${form.room_sounds.click} disabled=${audition.rule_frozen} onValue=${sound("click")} />
        <p class="soft">Rhythm is then measured against the click and not against the player's own pulse. Keep it soft: the microphone hears it too. Rule and click are declared together.</p>
      </fieldset>
      <${Line} label="Recordings are kept until" type="date" value=${form.retention_until} onValue=${set("retention_until")} short hint="Recordings of minors need consent, a purpose and an end. School policy and local law come first." />
      <${Check} label="Record nobody before consent is noted" checked=${form.consent_required} onValue=${set("consent_required")} />
      <${Wrong}>${act.error}<//>
      <${Said}>${said}<//>
      <${Deed} type="submit" kind="deed" busy=${act.busy}>Save the details<//>
    </form>`;
}
