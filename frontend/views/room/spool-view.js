/** Recordings that are not takes yet: on this device (sent by themselves), or on the server from a device that went away. */

import { call } from "../../core/api.js";
import * as sending from "../../core/sending.js";
import * as spool from "../../core/spool.js";
import { Ask, Deed, Wrong, clock, html, useAct, useEffect, useState } from "../parts.js";
import { wayText } from "./way-text.js";

const SILENT_SEC = 45; // our choice: a device that records sends every second, one without network comes back sooner

/**
 * @param {{spooled: import("../../core/spool.js").Spooled[], shown: string | null, unfinished: any[], token: string | null, onChange: () => Promise<void>}} props
 *   shown: a recording that is shown elsewhere on the screen; unfinished: what the server has of recordings that were never finished
 */
export function SpoolView({ spooled, shown, unfinished, token, onChange }) {
  const here = spooled.filter((recording) => recording.id !== shown);
  const own = new Set(spooled.map((recording) => recording.id));
  const left = unfinished.filter((one) => !own.has(one.upload_id) && one.silent_sec > SILENT_SEC);
  if (here.length + left.length === 0) return null;
  return html`<section aria-label="Recordings that are not takes yet">
    ${here.map((recording) => html`<${OneSpooled} key=${recording.id} recording=${recording} onChange=${onChange} />`)}
    ${left.map((one) => html`<${OneLeft} key=${one.upload_id} one=${one} token=${token} onChange=${onChange} />`)}
  </section>`;
}

/** @param {{recording: import("../../core/spool.js").Spooled, onChange: () => Promise<void>}} props */
function OneSpooled({ recording, onChange }) {
  const act = useAct();
  const [broken, setBroken] = useState(false);
  const [sec, setSec] = useState(recording.frames / recording.sample_rate_hz);
  const [way, setWay] = useState(sending.wayOf(recording.id));
  const [dropping, setDropping] = useState(false);
  useEffect(() => sending.onChange(() => setWay(sending.wayOf(recording.id))), []);
  useEffect(() => {
    if (recording.state !== "recording") return;
    void spool.isBroken(recording).then(setBroken);
    void spool.framesKept(recording.id).then((frames) => setSec(frames / recording.sample_rate_hz));
  }, [recording.state]);
  if (recording.state === "recording" && !broken) return html`<div class="notice"><p>Number ${recording.blind_number} is being recorded in another window of this browser.</p></div>`;
  const refused = recording.refused ?? (way?.phase === "refused" ? way.sentence : "");
  return html`<div class="notice wrong">
    <p>${broken
      ? `The browser went away while number ${recording.blind_number} was being recorded (${recording.piece_title}). ${clock(sec)} are kept here.`
      : `A recording of number ${recording.blind_number} (${recording.piece_title}, ${clock(sec)}) waits here, safe.`}</p>
    ${broken || refused ? null : html`<p role="status">${wayText(way)}</p>`}
    <${Wrong}>${refused}<//>
    <${Wrong}>${act.error}<//>
    ${broken || refused
      ? html`<div class="deeds">
          <${Deed} busy=${act.busy} onClick=${() => act.run(async () => { await sending.retry(recording); await onChange(); })}>${broken ? "Send what is kept" : "Send it again"}<//>
          <${Deed} kind="plain" onClick=${() => setDropping(true)}>Throw it away<//>
        </div>`
      : null}
    ${dropping
      ? html`<${Ask} title="Throw this recording away?" sentences=${["Nobody can bring it back."]} deed="Throw it away" onClose=${() => setDropping(false)}
          onDo=${async () => {
            await sending.throwAway(recording.id);
            await onChange();
          }} />`
      : null}
  </div>`;
}

/** @param {{one: any, token: string | null, onChange: () => Promise<void>}} props */
function OneLeft({ one, token, onChange }) {
  const act = useAct();
  const [dropping, setDropping] = useState(false);
  const keep = async () => {
    await call("POST", `/api/uploads/${one.upload_id}/rescue`, undefined, { token });
    await onChange();
  };
  return html`<div class="notice wrong">
    <p>A recording of number ${one.blind_number} (${one.piece_title}) was begun on another device and never finished. ${clock(one.duration_sec)} are on the server. If that device comes back, it goes on by itself.</p>
    <${Wrong}>${act.error}<//>
    <div class="deeds">
      <${Deed} busy=${act.busy} onClick=${() => act.run(keep)}>Keep what arrived as the take<//>
      <${Deed} kind="plain" onClick=${() => setDropping(true)}>Throw it away<//>
    </div>
    ${dropping
      ? html`<${Ask} title="Throw this recording away?" sentences=${["Nobody can bring it back."]} deed="Throw it away" onClose=${() => setDropping(false)}
          onDo=${async () => {
            await call("DELETE", `/api/uploads/${one.upload_id}`, undefined, { token });
            await onChange();
          }} />`
      : null}
  </div>`;
}
