/** Draw: how the panel listens to a recorded round. Set before the draw; the panel sees none of it. */

import { call } from "../../core/api.js";
import { Choice, Deed, Field, Line, Said, Waiting, Wrong, clock, counted, html, useAct, useLoad, useState } from "../parts.js";

const ORDERS = [
  { key: "same", name: "all in the playing order, also while it is played" },
  { key: "own", name: "each in a balanced order of their own, from recordings" },
];

/** @param {any} round */
export function designText(round) {
  const order = round.listening_order === "own" ? "each adjudicator in an order of their own" : "all in the playing order";
  return round.hidden_repeats ? `${order}; ${counted(round.hidden_repeats, "hidden repeat")}` : order;
}

/** @param {{audition: any, round: any, pieces: any[], onChange: () => Promise<void>}} props */
export function ListeningDesign({ audition, round, pieces, onChange }) {
  const act = useAct();
  const [order, setOrder] = useState(round.listening_order);
  const [repeats, setRepeats] = useState(String(round.hidden_repeats));
  const [said, setSaid] = useState("");
  const recorded = order === "own" || Number(repeats) > 0;
  const whole = /^\d+$/.test(repeats.trim() || "0");
  const save = (event) => {
    event.preventDefault();
    if (!whole) return;
    void act.run(async () => {
      await call("PATCH", `/api/rounds/${round.id}`, { listening_order: order, hidden_repeats: Number(repeats) });
      await onChange();
      setSaid("Kept. The draw lays the orders out.");
    });
  };
  const touched = (set) => (value) => {
    setSaid("");
    set(value);
  };
  return html`<details open=${recorded}><summary>How the panel listens: ${designText(round)}</summary>
    <form onSubmit=${save}>
      <${Choice} label="The adjudicators hear" value=${order} onValue=${touched(setOrder)} options=${ORDERS}
        hint="With orders of their own nobody is always first, last, or after the same player." />
      <${Line} label="Hidden repeats" inputmode="numeric" value=${repeats} onValue=${touched(setRepeats)} short
        hint="So many takes come a second time under another number. They show each adjudicator how steady their own marks are; they never count." />
      ${recorded ? html`<p class="soft small">Heard from recordings: takes come up on the tablets together, when the last one is in.</p>` : null}
      <${Wrong}>${act.error}<//>
      <${Said}>${said}<//>
      <${Deed} type="submit" busy=${act.busy} why=${whole ? "" : "The number of repeats is a whole number, 0 for none."}>Keep this<//>
    </form>
    <${Practice} audition=${audition} round=${round} pieces=${pieces} />
  </details>`;
}

/** @param {{audition: any, round: any, pieces: any[]}} props */
function Practice({ audition, round, pieces }) {
  const act = useAct();
  const heard = pieces.filter((piece) => round.piece_ids.length === 0 || round.piece_ids.includes(piece.id));
  const practice = useLoad(() => call("GET", `/api/rounds/${round.id}/practice`), [round.id]);
  const [pieceId, setPieceId] = useState(heard[0]?.id ?? "");
  const [file, setFile] = useState(/** @type {File | null} */ (null));
  const [takeId, setTakeId] = useState("");
  const shown = practice.data;
  if (!shown) return practice.error ? html`<${Wrong}>${practice.error}<//>` : html`<${Waiting} />`;
  const send = (event) => {
    event.preventDefault();
    if (!file) return;
    void act.run(async () => {
      const form = new FormData();
      form.append("round_id", round.id);
      form.append("piece_id", pieceId);
      form.append("file", file);
      practice.set(await call("POST", "/api/practice-takes", form));
      setFile(null);
    });
  };
  const choose = () => act.run(async () => practice.set(await call("PUT", `/api/rounds/${round.id}/practice`, { take_id: takeId })));
  const remove = () => act.run(async () => practice.set(await call("DELETE", `/api/rounds/${round.id}/practice`)));
  return html`<h3>Practice take</h3>
    <p>${shown.sentence}</p>
    ${shown.has_recording
      ? html`<p class="soft small">${[shown.piece_title, clock(shown.duration_sec)].filter(Boolean).join(", ")}. No measurements of it are shown, with notation or without: ears are set by ears with it, and it counts for nobody.</p>
          <audio controls preload="none" src=${`/api/rounds/${round.id}/practice/playback`}></audio>
          <${AgreedMarks} key=${shown.piece_id} audition=${audition} round=${round} shown=${shown} onKept=${practice.set} />
          <p><${Deed} kind="plain" busy=${act.busy} onClick=${remove}>Do without a practice take<//></p>`
      : heard.length === 0
        ? html`<p class="soft">Add the material first.</p>`
        : html`<form onSubmit=${send}>
              ${heard.length > 1 ? html`<${Choice} label="Piece" value=${pieceId} onValue=${setPieceId} options=${heard.map((piece) => ({ key: piece.id, name: piece.title }))} />` : null}
              <${Field} label="Recording" hint="Of somebody who does not play in this round, with their consent.">
                <input type="file" accept="audio/*,.wav,.flac,.mp3,.m4a,.webm,.ogg" onChange=${(event) => setFile(event.currentTarget.files[0] ?? null)} />
              <//>
              <${Deed} type="submit" busy=${act.busy} why=${file ? "" : "Choose a recording first."}>Use this recording<//>
            </form>
            ${shown.earlier_takes.length
              ? html`<${Choice} label="Or a take of another round" value=${takeId} onValue=${setTakeId} options=${[{ key: "", name: "none" }, ...shown.earlier_takes.map((one) => ({ key: one.take_id, name: one.label }))]} />
                  <${Deed} busy=${act.busy} onClick=${choose} why=${takeId ? "" : "Choose a take first."}>Use this take<//>`
              : null}`}
    <${Wrong}>${act.error}<//>`;
}

/** @param {{audition: any, round: any, shown: any, onKept: (shown: any) => void}} props */
function AgreedMarks({ audition, round, shown, onKept }) {
  const act = useAct();
  const rubric = audition.rubric;
  const [marks, setMarks] = useState(/** @type {Record<string, string>} */ (Object.fromEntries(Object.entries(shown.marks).map(([key, mark]) => [key, String(mark)]))));
  const [note, setNote] = useState(shown.note);
  const [said, setSaid] = useState("");
  const options = [{ key: "", name: "…" }, ...Array.from({ length: rubric.high - rubric.low + 1 }, (_, index) => ({ key: String(rubric.low + index), name: String(rubric.low + index) }))];
  const open = rubric.captions.filter((caption) => !marks[caption.key]);
  const save = (event) => {
    event.preventDefault();
    if (open.length) return;
    void act.run(async () => {
      const agreed = Object.fromEntries(Object.entries(marks).map(([key, mark]) => [key, Number(mark)]));
      onKept(await call("PUT", `/api/rounds/${round.id}/practice/agreed`, { marks: agreed, note: note.trim() }));
      setSaid("The agreed marks are kept.");
    });
  };
  return html`<form onSubmit=${save}>
    <p class="soft small">Agree on them together, with the descriptors before you. An adjudicator sees them after marking the take.</p>
    <div class="row start">${rubric.captions.map(
      (caption) => html`<${Choice} label=${caption.name} short value=${marks[caption.key] ?? ""} options=${options}
        onValue=${(mark) => {
          setSaid("");
          setMarks((before) => ({ ...before, [caption.key]: mark }));
        }} />`,
    )}</div>
    <${Line} label="Why these marks" value=${note} onValue=${(text) => { setSaid(""); setNote(text); }} maxlength="1000" hint="A sentence the panel reads beside them. It may stay empty." />
    <${Wrong}>${act.error}<//>
    <${Said}>${said}<//>
    <${Deed} type="submit" busy=${act.busy} why=${open.length ? `Still open: ${open.map((caption) => caption.name.toLowerCase()).join(", ")}.` : ""}>Keep the agreed marks<//>
  </form>`;
}
