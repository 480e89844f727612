/** Practice: drone, metronome with its tempo ladder, and a check through the microphone. One level for all sounds.
 * Unpitched percussion practises with the metronome alone. */

import { FIRST_LEVEL, LEVELS } from "../../core/practice-sounds.js";
import { keptJson } from "../../core/kept-page.js";
import { Choice, Waiting, Wrong, html, useEffect, useId, useLoad, useRef, useState } from "../parts.js";
import { DroneView } from "./drone-view.js";
import { ListenView } from "./listen-view.js";
import { MetronomeView } from "./metronome-view.js";

/** @param {{page: any, round: any, secret: string}} props */
export function Practice({ page, round, secret }) {
  const [pieceId, setPieceId] = useState(round.parts[0]?.piece_id ?? "");
  const part = round.parts.find((one) => one.piece_id === pieceId);
  const loaded = useLoad(() => keptJson(secret, `/api/student/candidates/${round.candidate_id}/pieces/${pieceId}`), [pieceId]);
  const [level, setLevel] = useState(FIRST_LEVEL);
  /** @type {{current: AudioContext | null}} */
  const context = useRef(null);
  const levelId = useId();
  /** What sounds must fall silent before the microphone listens. */
  const quiet = useRef(/** @type {Set<() => void>} */ (new Set()));
  useEffect(() => () => void context.current?.close(), []);
  /** @returns {AudioContext} made at the first deed: browsers allow no sound before one */
  const sound = () => {
    context.current ??= new AudioContext();
    void context.current.resume();
    return context.current;
  };
  const settings = loaded.data?.value.practice ?? null;
  const pitched = settings?.pitched ?? true;
  const own = round.practice.filter((one) => round.parts.length === 1 || one.piece_title === part?.title);
  return html`
    <h2>Practice</h2>
    ${round.parts.length > 1
      ? html`<${Choice} label="Piece" short value=${pieceId} onValue=${setPieceId} options=${round.parts.map((one) => ({ key: one.piece_id, name: one.title }))} />`
      : null}
    ${own.length ? html`<details open><summary>From your sheet</summary><ol>${own.map((one) => html`<li><strong>${one.title}</strong> <span class="soft">${one.where}</span><p>${one.text}</p></li>`)}</ol></details>` : null}
    <div class="field level">
      <label for=${levelId}>Level of ${pitched ? "drone and clicks" : "the clicks"}: ${level} of ${LEVELS}</label>
      <input id=${levelId} type="range" min="0" max=${LEVELS} step="1" value=${level} onInput=${(event) => setLevel(Number(event.currentTarget.value))} />
      <span class="hint">It begins quietly every time and ends at a cap. Set your device's own volume low first, most of all with headphones. Loud sound for long harms hearing; when something rings or hurts, stop.</span>
    </div>
    <${Wrong}>${loaded.error}<//>
    ${settings
      ? html`<div class="practice" key=${pieceId}>
          ${pitched ? html`<${DroneView} settings=${settings} a4Hz=${page.a4_hz} transposition=${page.transposition_semitones} level=${level} sound=${sound} quiet=${quiet} />` : null}
          <${MetronomeView} settings=${settings} level=${level} sound=${sound} quiet=${quiet} />
          ${pitched ? html`<${ListenView} settings=${settings} a4Hz=${page.a4_hz} transposition=${page.transposition_semitones} quiet=${quiet} />` : null}
        </div>`
      : loaded.error ? null : html`<${Waiting} what="Loading the practice" />`}`;
}
