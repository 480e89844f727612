/** A piece known by its title alone: adding one, and its screen. */

import { call } from "../../core/api.js";
import { Choice, Deed, Line, Said, Wrong, html, useAct, useState } from "../parts.js";

const WHAT_IS_MEASURED =
  "Takes are measured by their sound: pitch against the nearest semitone at the player's own tuning, drift, vibrato, loudness between breaths, tone. Notes and rhythm can't be judged, and there is no measured mark.";
const DRUMS = "Without notation nothing of unpitched percussion is measured; the panel hears and marks it like any piece.";

/** @param {{audition: any, instruments: {key: string, name: string, unpitched: boolean}[], onDone: (piece: any) => Promise<void>}} props */
export function AddUntyped({ audition, instruments, onDone }) {
  const act = useAct();
  const [title, setTitle] = useState("");
  const [instrument, setInstrument] = useState("clarinet-bb");
  const submit = (event) => {
    event.preventDefault();
    void act.run(async () => onDone(await call("POST", `/api/auditions/${audition.id}/pieces/untyped`, { title: title.trim(), instrument })));
  };
  return html`<form onSubmit=${submit}>
    <p>${instruments.find((one) => one.key === instrument)?.unpitched ? DRUMS : WHAT_IS_MEASURED}</p>
    <${Line} label="Title" value=${title} onValue=${setTitle} required maxlength="160" />
    <${Choice} label="Instrument that plays it" value=${instrument} onValue=${setInstrument} options=${instruments} />
    <${Wrong}>${act.error}<//>
    <${Deed} type="submit" kind="deed" busy=${act.busy} why=${title.trim() ? "" : "Give it a title first."}>Add this piece<//>
  </form>`;
}

/** @param {{piece: any, instruments: Record<string, string>, onSaved: () => Promise<void>}} props */
export function UntypedPiece({ piece, instruments, onSaved }) {
  const act = useAct();
  const [title, setTitle] = useState(piece.title);
  const [said, setSaid] = useState("");
  const save = (event) => {
    event.preventDefault();
    void act.run(async () => {
      await call("PATCH", `/api/pieces/${piece.id}`, { title: title.trim() });
      await onSaved();
      setSaid("The title is saved.");
    });
  };
  return html`<h2>${piece.title}</h2>
    <p class="soft">${instruments[piece.instrument] ?? piece.instrument} · without notation</p>
    <div class="notice"><p>${piece.unpitched ? DRUMS : WHAT_IS_MEASURED}</p><p>To have ${piece.unpitched ? "rhythm and loudness measured" : "notes and rhythm measured too"}, add the piece again from a file or by typing its bars, before the first take is in, and remove this one.</p></div>
    <form onSubmit=${save}>
      <${Line} label="Title" value=${title} onValue=${(value) => {
        setSaid("");
        setTitle(value);
      }} required maxlength="160" />
      <${Wrong}>${act.error}<//>
      <${Said}>${said}<//>
      <${Deed} type="submit" kind="deed" busy=${act.busy}>Save the piece<//>
    </form>`;
}
