/** The page behind a student's link to hand takes in: what to play, until when, consent, files, receipts. */

import { call, fetchBlob } from "../../core/api.js";
import { clockAhead, handIn, leftText, onClocksOf, ownZone, remember, secretHere } from "../../core/hand-in.js";
import { Deed, Field, Head, Line, Waiting, Wrong, clock, dateText, html, render, useAct, useEffect, useLoad, useRef, useState } from "../parts.js";
import { RecordHere } from "./record-here.js";

const TICK_MS = 10_000; // our choice: minutes are shown

/** @param {string} secret */
async function load(secret) {
  const askedAt = Date.now();
  const page = await call("GET", "/api/hand-in", undefined, { token: secret });
  return { page, ahead: clockAhead(askedAt, Date.now(), page.now) };
}

/** @param {{secret: string}} props */
function HandIn({ secret }) {
  const loaded = useLoad(() => load(secret), [secret]);
  const page = loaded.data?.page;
  useEffect(() => {
    if (page) remember(secret);
  }, [page]);
  if (!page) {
    return html`<${Head} title="Hand in" /><main class="middle"><${Wrong}>${loaded.error}<//>
      ${loaded.error ? html`<p>A newer link replaces an older one. Ask your section leader if yours does not open.</p><${Deed} onClick=${loaded.reload}>Try again<//>` : html`<${Waiting} />`}</main>`;
  }
  const ahead = loaded.data?.ahead ?? 0;
  const set = (/** @type {any} */ next) => loaded.set({ page: next, ahead });
  const needsConsent = page.consent_required && !page.consent_on;
  return html`<${Head} title="Hand in" about=${[page.student, page.audition].filter(Boolean).join(" · ")} />
    <main class="student" id="content">
      <h2>${page.round_name}, number ${page.blind_number}</h2>
      <${Until} page=${page} ahead=${ahead} onOver=${loaded.reload} />
      <ul class="plain">${page.about.map((sentence) => html`<li>${sentence}</li>`)}</ul>
      ${needsConsent && page.is_open ? html`<${OwnConsent} secret=${secret} onNoted=${set} />` : null}
      ${page.consent_on ? html`<p class="soft">Consent to record: ${page.consent_by || "noted"}, ${dateText(page.consent_on)}.</p>` : null}
      ${page.is_open && !globalThis.isSecureContext ? html`<${Wrong}>This address is not secure, so files can't be checked on their way and the browser gives no microphone. Open your link with https.<//>` : null}
      ${page.pieces.map((piece) => html`<${Piece} key=${piece.piece_id} piece=${piece} page=${page} secret=${secret} why=${!globalThis.isSecureContext ? "Open your link with https first." : needsConsent ? "Consent comes first: fill it in above." : ""} onDone=${set} />`)}
      <p class="next" role="status">${page.complete ? "Every piece is in. You may replace a recording until the deadline; the last one counts." : page.is_open ? "Not every piece is in yet." : ""}</p>
      <footer class="soft small">${page.cautions.map((sentence) => html`<p>${sentence}</p>`)}
        <p>All files you hand in are kept, replaced ones too, until the recordings are destroyed; the panel hears the last one of each piece, under your number and without your name.</p></footer>
    </main>`;
}

/** @param {{page: any, ahead: number, onOver: () => void}} props */
function Until({ page, ahead, onOver }) {
  const [now, setNow] = useState(Date.now());
  const due = new Date(page.due_at).getTime();
  const closes = new Date(page.closes_at).getTime();
  useEffect(() => {
    const timer = setInterval(() => setNow(Date.now()), TICK_MS);
    return () => clearInterval(timer);
  }, []);
  const server = now + ahead;
  const over = server >= closes;
  useEffect(() => {
    if (over && page.is_open) onOver();
  }, [over]);
  const zone = ownZone();
  const elsewhere = zone !== page.zone;
  return html`<dl class="facts">
      <dt>Hand in until</dt><dd><strong>${page.due_text}</strong>${page.more_time ? " (more time for you)" : ""}</dd>
      ${elsewhere ? html`<dt>On your clock</dt><dd>${onClocksOf(page.due_at, zone)} (${zone})</dd>` : null}
      <dt>Time left</dt><dd>${server < due ? leftText(due - server) : over ? "none" : `the deadline is over; what arrives within ${page.grace_min} minutes of it still counts`}</dd>
      ${page.grace_min && server < due ? html`<dt>Grace</dt><dd>${page.grace_min} minutes for files on their way</dd>` : null}
    </dl>
    <p class="soft small">The server's clock counts, not your device's.</p>
    ${page.why_closed ? html`<div class="notice"><p>${page.why_closed}</p></div>` : null}`;
}

/** @param {{secret: string, onNoted: (page: any) => void}} props */
function OwnConsent({ secret, onNoted }) {
  const act = useAct();
  const [on, setOn] = useState("");
  const [by, setBy] = useState("");
  const submit = (/** @type {Event} */ event) => {
    event.preventDefault();
    void act.run(async () => onNoted(await call("POST", "/api/hand-in/consent", { given_on: on, given_by: by.trim() }, { token: secret })));
  };
  return html`<form class="notice" onSubmit=${submit} aria-label="Consent">
    <p>No consent to record is noted yet, and nothing is taken without it. A parent or guardian fills this in where the student is a minor.</p>
    <div class="row start">
      <${Line} label="Consent given on" type="date" value=${on} onValue=${setOn} required short />
      <${Line} label="by (name)" value=${by} onValue=${setBy} required maxlength="160" autocomplete="name" />
    </div>
    <${Wrong}>${act.error}<//>
    <${Deed} type="submit" kind="deed" busy=${act.busy}>Give consent to record<//>
  </form>`;
}

/** @param {{piece: any, page: any, secret: string, why: string, onDone: (page: any) => void}} props */
function Piece({ piece, page, secret, why, onDone }) {
  const act = useAct();
  const [file, setFile] = useState(/** @type {File | null} */ (null));
  const [share, setShare] = useState(/** @type {number | null} */ (null));
  /** @type {{current: HTMLFormElement | null}} */
  const form = useRef(null);
  const submit = (/** @type {Event} */ event) => {
    event.preventDefault();
    if (!file || why) return;
    void act
      .run(async () => {
        const next = await handIn(secret, piece.piece_id, file, setShare);
        setFile(null);
        form.current?.reset();
        onDone(next);
      })
      .then(() => setShare(null));
  };
  const counts = piece.takes.find((take) => take.counts);
  const word = counts ? "Hand in another one instead" : "Hand in this file";
  return html`<section class="hand-in">
    <h3>${piece.title}</h3>
    ${piece.about.map((sentence) => html`<p>${sentence}</p>`)}
    ${piece.takes.map((take) => html`<${Receipt} key=${take.take_id} take=${take} secret=${secret} />`)}
    ${page.is_open
      ? html`<form onSubmit=${submit} ref=${form}>
          <${Field} label=${counts ? `Another recording of ${piece.title}` : `Recording of ${piece.title}`} hint="A file from your telephone or recorder: WAV, FLAC, MP3, M4A, Ogg or WebM, at most 400 MB.">
            <input type="file" accept="audio/*,.wav,.flac,.mp3,.m4a,.webm,.ogg,.aiff" onChange=${(event) => { act.clear(); setFile(event.currentTarget.files[0] ?? null); }} />
          <//>
          <${Wrong}>${act.error}<//>
          ${share !== null ? html`<label class="sending">${share < 1 ? "Sending" : "The server is listening to it"} <progress max="1" value=${share}></progress> ${Math.round(share * 100)} %</label>` : null}
          <div class="deeds"><${Deed} type="submit" kind=${counts ? "" : "deed"} busy=${act.busy} why=${why || (file ? "" : "Choose a file first.")}>${word}<//></div>
        </form>`
      : counts ? null : html`<p>Nothing was handed in.</p>`}
    <${RecordHere} piece=${piece} number=${page.blind_number} secret=${secret} open=${page.is_open} why=${why} onDone=${onDone} />
  </section>`;
}

/** @param {{take: any, secret: string}} props */
function Receipt({ take, secret }) {
  const act = useAct();
  const [sound, setSound] = useState("");
  const listen = () =>
    act.run(async () => setSound(URL.createObjectURL(await fetchBlob(`/api/hand-in/takes/${take.take_id}/playback`, { token: secret }))));
  useEffect(() => () => URL.revokeObjectURL(sound), [sound]);
  if (!take.counts) {
    return html`<p class="soft small">Replaced, kept: ${clock(take.duration_sec)}, received ${take.received_text}.</p>`;
  }
  return html`<div class="notice receipt" role="group" aria-label="Receipt">
    <p><strong>Handed in.</strong> ${clock(take.duration_sec)}, received ${take.received_text} by the server's clock.</p>
    ${take.sentences.length
      ? html`<p>Worth a look before the deadline:</p><ul>${take.sentences.map((sentence) => html`<li>${sentence}</li>`)}</ul>`
      : html`<p>The checks found nothing: length, level, clipping and dropouts are as they should be.</p>`}
    <p class="small">Hash of the file (SHA-256): <span class="hash">${take.sha256}</span></p>
    <${Wrong}>${act.error}<//>
    ${sound ? html`<audio controls src=${sound} aria-label="What the panel will hear"></audio>` : html`<${Deed} kind="plain" busy=${act.busy} onClick=${listen}>Listen to what arrived<//>`}
  </div>`;
}

const secret = secretHere();
render(
  secret
    ? html`<${HandIn} secret=${secret} />`
    : html`<${Head} title="Hand in" /><main class="middle"><p>This page opens from the link you were sent. Open it again from there, or ask your section leader for a new one.</p></main>`,
  /** @type {HTMLElement} */ (document.getElementById("screen")),
);
