/** One candidate in the recording room: state, and a take for each piece. */

import { call, fetchBlob } from "../../core/api.js";
import { newId } from "../../core/ids.js";
import { sendTake } from "../../core/takes.js";
import { Ask, Choice, Deed, Wrong, clock, html, sentenceOf, useAct, useEffect, useFocusHere, useId, useRef, useState } from "../parts.js";
import { instrumentText } from "../instrument-text.js";
import { Consent } from "./consent.js";
import { RecordView } from "./record-view.js";
import { SightReading } from "./sight-reading.js";
import { Restarts, TurnView } from "./turn-view.js";

const STATES = [
  { key: "present", name: "Here", reason: "", sentence: "" },
  { key: "late", name: "Late", reason: "Reason", sentence: "The number keeps its place and can be heard later." },
  { key: "absent", name: "Absent", reason: "Reason", sentence: "The number stays in the order and gets no marks." },
  { key: "no-show", name: "No-show", reason: "Reason", sentence: "The number stays in the order and gets no marks." },
  { key: "withdrawn", name: "Withdrawn", reason: "Reason", sentence: "The number stays in the order and gets no marks." },
];
const CAUSES = [
  { key: "equipment", name: "Equipment failed" },
  { key: "noise", name: "Noise" },
  { key: "injury", name: "Injury or pain" },
  { key: "other", name: "Something else" },
];
const WORDS = { fine: "", look: "Look at this while the candidate is still here.", refuse: "This can't be used." };

/**
 * @param {{audition: any, candidate: any, pieces: any[], script: string[], spooled: import("../../core/spool.js").Spooled[], policy: string, studySec: number, token: string | null, onChange: () => Promise<void>, onSpool: () => Promise<void>, onShown: (id: string | null) => void, onBusy: (busy: boolean) => void}} props
 */
export function CandidateView({ audition, candidate, pieces, script, spooled, policy, studySec, token, onChange, onSpool, onShown, onBusy }) {
  const act = useAct();
  const [asking, setAsking] = useState(/** @type {any} */ (null));
  const setState = (state, reason = "") =>
    call("PATCH", `/api/candidates/${candidate.candidate_id}`, { state, reason }, { token }).then(onChange);
  return html`<div class="above"><h2>Number ${candidate.blind_number}</h2>
      <span>${[candidate.name, instrumentText(candidate.instrument)].filter(Boolean).join(" · ")}</span></div>
    ${candidate.accommodation ? html`<div class="notice"><p>Accommodation: ${candidate.accommodation}</p></div>` : null}
    ${candidate.consent === false
      ? html`<${Consent} candidate=${candidate} token=${token} onChange=${onChange} />`
      : null}
    <${TurnView} candidate=${candidate} script=${script} policy=${policy} token=${token} onChange=${onChange} />
    <fieldset>
      <legend>State</legend>
      <div class="deeds">
        ${STATES.map(
          (state) => html`<button type="button" class=${candidate.state === state.key ? "deed" : ""} aria-pressed=${candidate.state === state.key ? "true" : "false"}
            onClick=${() => state.reason ? setAsking(state) : void act.run(() => setState(state.key))}>${state.name}</button>`,
        )}
      </div>
      ${candidate.state_reason ? html`<p class="soft">${candidate.state_reason}</p>` : null}
    </fieldset>
    <${Wrong}>${act.error}<//>
    ${pieces.map(
      (piece) => html`<${PieceTake} key=${piece.piece_id} audition=${audition} candidate=${candidate} piece=${piece} studySec=${studySec} waits=${spooled.some((one) => one.candidate_id === candidate.candidate_id && one.piece_id === piece.piece_id)} token=${token} onChange=${onChange} onSpool=${onSpool} onShown=${onShown} onBusy=${onBusy} />`,
    )}
    ${script.length ? html`<details><summary>Read to every candidate</summary><ol>${script.map((sentence) => html`<li>${sentence}</li>`)}</ol></details>` : null}
    ${asking
      ? html`<${Ask} title=${`Number ${candidate.blind_number}: ${asking.name.toLowerCase()}?`} sentences=${[asking.sentence]} reason=${asking.reason} deed=${`Set to ${asking.name.toLowerCase()}`}
          onClose=${() => setAsking(null)} onDo=${(reason) => setState(asking.key, reason)} />`
      : null}`;
}

/** @param {{audition: any, candidate: any, piece: any, studySec: number, waits: boolean, token: string | null, onChange: () => Promise<void>, onSpool: () => Promise<void>, onShown: (id: string | null) => void, onBusy: (busy: boolean) => void}} props */
function PieceTake({ audition, candidate, piece, studySec, waits, token, onChange, onSpool, onShown, onBusy }) {
  const takes = candidate.takes.filter((take) => take.piece_id === piece.piece_id);
  const kept = takes.find((take) => take.state === "kept");
  const voided = takes.filter((take) => take.state === "voided");
  const replaces = kept ? null : (voided[voided.length - 1]?.take_id ?? null);
  const [voiding, setVoiding] = useState(false);
  const [sealed, setSealed] = useState(piece.kind === "sight-reading");
  const [cause, setCause] = useState("equipment");
  const [fresh, setFresh] = useState(/** @type {any} */ (null));
  const place = useFocusHere(kept?.take_id);
  const quality = fresh && kept && fresh.take_id === kept.take_id ? (fresh.quality ?? kept) : kept;
  const why = waits ? "A recording of this piece is on its way, see above. It can't be recorded twice." : ["withdrawn", "no-show"].includes(candidate.state) ? `Number ${candidate.blind_number} is set to ${candidate.state}.` : "";
  const arrived = async (take, sound) => {
    setFresh(take ? { ...take, sound } : null);
    await onSpool();
    await onChange();
  };
  return html`<div class="take" role="group" aria-label=${piece.title} tabindex="-1" ref=${place}>
    <div class="above"><h3>${piece.title}</h3>
      <span class="soft">${kept ? `take in, ${clock(kept.duration_sec)}` : replaces ? "a re-take is due" : "no take yet"}</span></div>
    ${piece.kind === "sight-reading" && !why ? html`<${SightReading} candidate=${candidate} piece=${piece} studySec=${studySec} token=${token} onSealed=${setSealed} />` : null}
    <div role="status">
      ${quality ? html`<p>${WORDS[quality.word] ? html`<span class="word">${WORDS[quality.word]}</span> ` : null}<span class="verdict">${(quality.sentences ?? []).join(" ")}</span></p>` : null}
    </div>
    ${kept
      ? html`<${Listen} takeId=${kept.take_id} sound=${fresh?.take_id === kept.take_id ? fresh.sound : null} token=${token}>
          <${Deed} onClick=${() => setVoiding(true)} label=${`Void this take of ${piece.title}`}>Void this take<//>
        <//>`
      : why
        ? html`<p class="soft">${why}</p>`
        : sealed
          ? null // nothing is recorded before the study time has begun
          : html`<${Bring} audition=${audition} candidate=${candidate} piece=${piece} replaces=${replaces} token=${token} onArrived=${arrived} onSpool=${onSpool} onShown=${onShown} onBusy=${onBusy} />`}
    ${why || sealed ? null : html`<${Restarts} candidate=${candidate} piece=${piece} token=${token} onChange=${onChange} />`}
    ${voided.map((take) => html`<p class="soft small">A voided take of ${clock(take.duration_sec)} is kept (${CAUSES.find((one) => one.key === take.void_cause)?.name ?? "voided"}): ${take.void_reason}</p>`)}
    ${voiding
      ? html`<${Ask} title="Void this take?" sentences=${["It stays stored with your reason; nobody scores it, and the panel is told nothing. A re-take can follow at once."]} reason="Reason" deed="Void it"
          onClose=${() => setVoiding(false)}
          onDo=${async (reason) => {
            await call("POST", `/api/takes/${kept.take_id}/void`, { cause, reason }, { token });
            await onChange();
          }}><${Choice} label="Cause" value=${cause} onValue=${setCause} options=${CAUSES} /><//>`
      : null}
  </div>`;
}

/** @param {{takeId: string, sound: Blob | null, token: string | null, children?: any}} props sound: the recording itself, when it was just made here */
function Listen({ takeId, sound, token, children }) {
  const act = useAct();
  const [address, setAddress] = useState("");
  useEffect(() => () => URL.revokeObjectURL(address), [address]);
  const load = () => act.run(async () => setAddress(URL.createObjectURL(sound ?? (await fetchBlob(`/api/takes/${takeId}/playback`, { token })))));
  return html`<div class="players">${address
      ? html`<audio controls autoplay src=${address}></audio>`
      : html`<${Deed} onClick=${load} busy=${act.busy}>Listen<//>`}${children}</div>
    <${Wrong}>${act.error}<//>`;
}

/**
 * Bring in a take: record it here, or hand in a file.
 * @param {{audition: any, candidate: any, piece: any, replaces: string | null, token: string | null, onArrived: (take: any, sound: Blob | null) => Promise<void>, onSpool: () => Promise<void>, onShown: (id: string | null) => void, onBusy: (busy: boolean) => void}} props
 */
function Bring({ audition, candidate, piece, replaces, token, onArrived, onSpool, onShown, onBusy }) {
  const [recording, setRecording] = useState(false);
  const [share, setShare] = useState(/** @type {number | null} */ (null));
  const [error, setError] = useState("");
  const [over, setOver] = useState(false);
  const attempt = useRef({ id: newId(), file: /** @type {File | null} */ (null) });
  const id = useId();
  const send = async (file) => {
    if (!file) return;
    // The same file again is the same take: the server keeps it once.
    if (attempt.current.file !== file) attempt.current = { id: newId(), file };
    setError("");
    setShare(0);
    onBusy(true);
    try {
      const take = { id: attempt.current.id, candidate_id: candidate.candidate_id, piece_id: piece.piece_id, replaces };
      const answer = await sendTake(take, file, file.name, { token, onProgress: setShare });
      await onArrived(answer?.take, null);
    } catch (trouble) {
      setError(sentenceOf(trouble));
    } finally {
      setShare(null);
      onBusy(false);
    }
  };
  if (recording) {
    return html`<${RecordView}
      what=${{ candidate_id: candidate.candidate_id, blind_number: candidate.blind_number, piece_id: piece.piece_id, piece_title: piece.title, replaces }}
      length=${{ marked_sec: piece.marked_sec ?? null, shortest_sec: piece.shortest_sec ?? null }}
      sounds=${audition.sounds}
      a4Hz=${audition.a4_hz}
      writtenA=${candidate.written_a}
      token=${token}
      onArrived=${async (take, sound) => {
        setRecording(false);
        await onArrived(take, sound);
      }}
      onShown=${onShown}
      onSpool=${onSpool}
      onBusy=${onBusy}
      onLeave=${() => setRecording(false)}
    />`;
  }
  return html`<div class="deeds"><${Deed} kind="deed" onClick=${() => setRecording(true)} label=${`Record ${piece.title}`}>Record<//></div>
    <div class=${over ? "drop over" : "drop"}
      onDragOver=${(event) => { event.preventDefault(); setOver(true); }}
      onDragLeave=${() => setOver(false)}
      onDrop=${(event) => { event.preventDefault(); setOver(false); void send(event.dataTransfer?.files[0]); }}>
      <label for=${id}>Or hand in a recording of ${piece.title}: choose a file, or drop it here</label>
      <input id=${id} type="file" accept="audio/*,video/webm,video/mp4,.wav,.aif,.aiff,.flac,.mp3,.m4a,.ogg,.opus,.webm" disabled=${share !== null}
        onChange=${(event) => { const input = event.currentTarget; void send(input.files[0]).then(() => { input.value = ""; }); }} />
      <div role="status">
        ${share !== null ? html`<p>${share < 1 ? `Sending, ${Math.round(share * 100)} %` : "Sent. The take is being checked …"}<progress max="1" value=${share} aria-label="Upload"></progress></p>` : null}
      </div>
      <${Wrong}>${error}<//>
      ${error && attempt.current.file ? html`<${Deed} onClick=${() => send(attempt.current.file)}>Send the same file again<//>` : null}
    </div>`;
}
