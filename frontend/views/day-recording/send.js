/** Handing in the long file: which round, which room, when the recorder was started. */

import { sendDay } from "../../core/day-sending.js";
import { Choice, Deed, Field, Line, Wrong, html, sentenceOf, useEffect, useRef, useState } from "../parts.js";
import { fromLocalInput } from "./times.js";

/** @param {{roundId: string, rooms: any[], token: string | null, onArrived: (day: any) => void}} props */
export function Send({ roundId, rooms, token, onArrived }) {
  const [file, setFile] = useState(/** @type {File | null} */ (null));
  const [room, setRoom] = useState("");
  const [started, setStarted] = useState("");
  const [share, setShare] = useState(/** @type {number | null} */ (null));
  const [said, setSaid] = useState("");
  const [error, setError] = useState("");
  const stopper = useRef(/** @type {AbortController | null} */ (null));
  useEffect(() => () => stopper.current?.abort(), []);
  const send = async () => {
    if (!file) return;
    setError("");
    setShare(0);
    stopper.current = new AbortController();
    const where = { round_id: roundId, room_id: room || null, started_at: fromLocalInput(started) };
    try {
      const day = await sendDay(file, where, {
        token,
        signal: stopper.current.signal,
        onShare: (now, sentence) => {
          if (Number.isFinite(now)) setShare(now);
          setSaid(sentence);
        },
      });
      setFile(null);
      onArrived(day);
    } catch (trouble) {
      if (!(trouble instanceof DOMException && trouble.name === "AbortError")) setError(sentenceOf(trouble));
    } finally {
      setShare(null);
      setSaid("");
    }
  };
  const sending = share !== null;
  return html`<section aria-label="Hand in a recording"><h2>Hand in a recording</h2>
    <p>The file as it is on the recorder’s card: WAV, AIFF, FLAC, MP3, M4A or Ogg, up to 14 hours. If sending is interrupted, choose the same file again and it goes on.</p>
    <p class="soft">The recorder has heard everybody in the room. A cut becomes a take only of somebody whose consent is noted, and the long file goes when your retention date has come, or before.</p>
    <${Field} label="Recording">
      <input type="file" accept="audio/*,.wav,.aif,.aiff,.flac,.mp3,.m4a,.ogg" disabled=${sending} onChange=${(/** @type {any} */ event) => setFile(event.currentTarget.files[0] ?? null)} /><//>
    <div class="row start">
      ${rooms.length > 1 ? html`<${Choice} label="Room it stood in" short value=${room} onValue=${setRoom} options=${[{ key: "", name: "not known" }, ...rooms.map((/** @type {any} */ one) => ({ key: one.id, name: one.name }))]} />` : null}
      <${Line} label="Started at, if known" hint="From the recorder’s own date, or your notes: a few minutes off do no harm." type="datetime-local" step="1" value=${started} onValue=${setStarted} />
    </div>
    <div class="deeds">${sending
      ? html`<button type="button" onClick=${() => stopper.current?.abort()}>Stop sending</button>`
      : html`<${Deed} kind="deed" why=${file ? "" : "Choose the recording first."} showWhy=${false} onClick=${send}>Send it<//>`}</div>
    <div role="status">${sending ? html`<p>${said || (share < 1 ? `Sending, ${Math.floor(share * 100)} %` : "Everything is here. It is being put together …")}<progress max="1" value=${share} aria-label="Sending"></progress></p>` : null}</div>
    <${Wrong}>${error}<//>
  </section>`;
}
