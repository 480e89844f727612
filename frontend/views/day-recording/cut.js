/** One cut in the list: what it probably is and why, listening, confirming, and everything that can be changed. */

import { call, fetchBlob } from "../../core/api.js";
import { newId } from "../../core/ids.js";
import { Choice, Deed, Line, Wrong, clock, html, useAct, useEffect, useRef, useState } from "../parts.js";
import { exactClock, longClock, secondsOf, wallClock } from "./times.js";

const KINDS = { playing: "Playing", talk: "Talk", noise: "Noise" };
const LEAD_SEC = 1; // heard before and after a cut, so that a border in the wrong place shows

/**
 * @typedef {{day: any, token: string | null, onDay: (day: any) => void}} Held
 * @param {{cut: any, who: string, piece: string} & Held & {chosen: boolean, onChoose: () => void}} props
 */
export function Cut({ cut, who, piece, day, token, onDay, chosen, onChoose }) {
  const act = useAct();
  const place = useRef(/** @type {HTMLElement | null} */ (null));
  const [changing, setChanging] = useState(false);
  const player = useRef(/** @type {HTMLAudioElement | null} */ (null));
  useEffect(() => {
    // Chosen by a press in the row it is in view; moving it then would take the button from under the finger.
    if (chosen && !place.current?.contains(document.activeElement)) place.current?.scrollIntoView({ block: "center" });
  }, [chosen]);
  const address = `/api/day-cuts/${cut.cut_id}`;
  const send = (/** @type {string} */ method, /** @type {string} */ path, /** @type {any} */ body) =>
    act.run(async () => {
      const answer = await call(method, path, { edition: cut.edition, ...body }, { token });
      onDay(answer.day ?? answer);
    });
  const whose = [who, piece].filter(Boolean).join(" · ");
  const open = cut.state === "proposed";
  const at = [longClock(cut.start_sec), wallClock(day.line.started_at, cut.start_sec)].filter(Boolean).join(", at ");
  const name = `${KINDS[cut.kind]} from ${longClock(cut.start_sec)}`;
  const why = cut.candidate_id && cut.piece_id ? "" : "Say whose it is and of which piece first.";
  return html`<li class=${chosen ? "cut-row chosen" : "cut-row"} ref=${place} onFocusIn=${onChoose}>
    <div class="above"><h4>${KINDS[cut.kind]}, ${clock(cut.end_sec - cut.start_sec)} long <span class="soft">from ${at}</span></h4>
      <span class="soft">${cut.state === "confirmed" ? "confirmed" : cut.state === "set aside" ? "set aside" : cut.candidate_id ? cut.word : ""}</span></div>
    ${cut.kind === "playing" ? html`<p class="whose">${whose || "Nobody's yet"}</p>` : null}
    <p class="soft small">${cut.state === "confirmed" && cut.take_state === "voided" ? "Its take was voided in the recording room." : cut.sentence}</p>
    <div class="deeds">
      <${Listen} recordingId=${day.line.recording_id} cut=${cut} player=${player} token=${token} name=${name} />
      ${open && cut.kind === "playing" ? html`<${Deed} kind="deed" busy=${act.busy} why=${why} showWhy=${false} onClick=${() => send("POST", `${address}/confirm`, {})} label=${`Confirm: ${whose || name}`}>Confirm<//>` : null}
      ${open ? html`<button type="button" aria-expanded=${changing ? "true" : "false"} onClick=${() => setChanging(!changing)}>Change<span class="unseen"> ${name}</span></button>` : null}
      ${open && cut.kind === "playing" ? html`<${Deed} kind="plain" busy=${act.busy} onClick=${() => send("PATCH", address, { state: "set aside" })} label=${`Set aside: ${name}`}>Set aside<//>` : null}
      ${cut.state === "set aside" || (cut.state === "confirmed" && cut.take_state === "voided") ? html`<${Deed} busy=${act.busy} onClick=${() => send("PATCH", address, { state: "proposed" })} label=${`Propose again: ${name}`}>Propose again<//>` : null}
    </div>
    <${Wrong}>${act.error}<//>
    ${changing && open ? html`<${Change} key=${cut.edition} cut=${cut} day=${day} player=${player} busy=${act.busy} send=${send} address=${address} />` : null}
  </li>`;
}

/** @param {{recordingId: string, cut: any, player: {current: HTMLAudioElement | null}, token: string | null, name: string}} props */
function Listen({ recordingId, cut, player, token, name }) {
  const act = useAct();
  const [sound, setSound] = useState({ address: "", from: 0 });
  useEffect(() => () => URL.revokeObjectURL(sound.address), [sound.address]);
  const from = Math.max(0, cut.start_sec - LEAD_SEC);
  const load = () =>
    act.run(async () => {
      const query = new URLSearchParams({ start_sec: String(from), end_sec: String(cut.end_sec + LEAD_SEC) });
      const blob = await fetchBlob(`/api/day-recordings/${recordingId}/sound?${query}`, { token });
      setSound({ address: URL.createObjectURL(blob), from });
    });
  const stale = sound.address && Math.abs(sound.from - from) > 0.001;
  return html`${sound.address && !stale
    ? html`<audio controls autoplay src=${sound.address} aria-label=${name} data-from=${sound.from} ref=${player}></audio>`
    : html`<${Deed} onClick=${load} busy=${act.busy} label=${`Listen: ${name}`}>Listen<//>`}
    <${Wrong}>${act.error}<//>`;
}

/** @param {{cut: any, day: any, player: {current: HTMLAudioElement | null}, busy: boolean, send: (method: string, path: string, body: any) => Promise<boolean>, address: string}} props */
function Change({ cut, day, player, busy, send, address }) {
  const [candidate, setCandidate] = useState(cut.candidate_id ?? "");
  const [piece, setPiece] = useState(cut.piece_id ?? "");
  const [start, setStart] = useState(exactClock(cut.start_sec));
  const [end, setEnd] = useState(exactClock(cut.end_sec));
  const [at, setAt] = useState("");
  const heard = () => {
    const audio = player.current;
    return audio ? Number(audio.dataset.from) + audio.currentTime : NaN;
  };
  const take = (/** @type {(text: string) => void} */ set) => {
    const sec = heard();
    if (Number.isFinite(sec)) set(exactClock(sec));
  };
  const [from, to, split] = [secondsOf(start), secondsOf(end), secondsOf(at)];
  const bordersWhy = Number.isFinite(from) && Number.isFinite(to) && to > from ? "" : "Write times as 1:02:03.4, the end after the start.";
  const splitWhy = split > cut.start_sec && split < cut.end_sec ? "" : "Write a time inside this cut.";
  const numbers = [{ key: "", name: "nobody" }, ...day.candidates.map((/** @type {any} */ one) => ({ key: one.candidate_id, name: `${one.blind_number}, ${one.name}` }))];
  const pieces = [{ key: "", name: "none" }, ...day.pieces.map((/** @type {any} */ one) => ({ key: one.piece_id, name: one.title }))];
  return html`<div class="changes">
    <fieldset><legend>Whose it is</legend>
      <div class="row start">
        <${Choice} label="Number" short value=${candidate} onValue=${setCandidate} options=${numbers} />
        <${Choice} label="Piece" short value=${piece} onValue=${setPiece} options=${pieces} />
        <${Deed} busy=${busy} onClick=${() => send("PATCH", address, { candidate_id: candidate || null, piece_id: piece || null })}>Move there<//>
      </div></fieldset>
    <fieldset><legend>Borders</legend>
      <div class="row start">
        <${Line} label="Begins at" short value=${start} onValue=${setStart} inputmode="decimal" />
        <button type="button" onClick=${() => take(setStart)}>Begin where the player is</button>
        <${Line} label="Ends at" short value=${end} onValue=${setEnd} inputmode="decimal" />
        <button type="button" onClick=${() => take(setEnd)}>End where the player is</button>
        <${Deed} busy=${busy} why=${bordersWhy} onClick=${() => send("PATCH", address, { start_sec: from, end_sec: to })}>Keep these borders<//>
      </div></fieldset>
    <fieldset><legend>Split or join</legend>
      <div class="row start">
        <${Line} label="Split at" short value=${at} onValue=${setAt} inputmode="decimal" />
        <button type="button" onClick=${() => take(setAt)}>Split where the player is</button>
        <${Deed} busy=${busy} why=${splitWhy} showWhy=${at !== ""} onClick=${() => send("POST", `${address}/split`, { id: newId(), at_sec: split })}>Split in two<//>
        <${Deed} busy=${busy} onClick=${() => send("POST", `${address}/join`, {})}>Join with the next playing<//>
      </div></fieldset>
  </div>`;
}
