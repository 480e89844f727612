/**
 * Recording a piece on the student's own page: get ready, record, hear it, then hand it in. Until that nothing leaves the
 * device; a closed browser loses at most the last second.
 */

import { ApiError } from "../../core/api.js";
import { handIn } from "../../core/hand-in.js";
import { Microphone, microphones, whyNoRecording } from "../../core/recorder.js";
import * as spool from "../../core/spool.js";
import { joined, lookAt } from "../../core/take-checks.js";
import { Ask, Choice, Deed, Wrong, clock, html, sentenceOf, useAct, useEffect, useFocusHere, useRef, useState } from "../parts.js";
import { decibel, drawMeter, levelText } from "../room/meter.js";

const KEPT_FOR = "hand-in";
const CLIP = 0.999; // a sample this large counts as clipped, our choice
const HOLD_MS = 1500; // how long the peak mark stays, our choice
const SAID_EVERY_MS = 1000; // our choice

/** @typedef {import("../../core/spool.js").Spooled} Spooled */
/** @typedef {{recording: Spooled, cut: boolean, sound: Blob, looked: import("../../core/take-checks.js").Looked}} Made */

/**
 * @param {string} number
 * @param {string} pieceId
 * @param {(recording: Spooled) => void} onRunning told of one that a page of this browser still records
 * @returns {Promise<Made | null>} the oldest recording of this piece that waits here; null: none
 */
async function waitingHere(number, pieceId, onRunning) {
  for (const recording of await spool.list(KEPT_FOR)) {
    if (recording.blind_number !== number || recording.piece_id !== pieceId) continue;
    if (recording.state === "stopped") return made(recording, false);
    if (!(await spool.isBroken(recording))) {
      onRunning(recording);
      continue;
    }
    const frames = await spool.framesKept(recording.id);
    const rescued = { ...recording, state: /** @type {const} */ ("stopped"), frames };
    if (frames === 0) {
      await spool.drop(recording.id);
      continue;
    }
    await spool.save(rescued);
    return made(rescued, true);
  }
  return null;
}

/**
 * @param {Spooled} recording
 * @param {boolean} cut the browser went away in the middle of it
 * @returns {Promise<Made>}
 */
async function made(recording, cut) {
  const chunks = [];
  for (const seq of await spool.chunkNumbers(recording.id)) chunks.push(/** @type {import("../../core/spool.js").Chunk} */ (await spool.chunkAt(recording.id, seq)).pcm);
  const length = { marked_sec: recording.marked_sec ?? null, shortest_sec: recording.shortest_sec ?? null };
  return { recording, cut, sound: await spool.asWav(recording), looked: lookAt(joined(chunks), recording.sample_rate_hz, length) };
}

/** @param {{piece: any, number: string, secret: string, open: boolean, why: string, onDone: (page: any) => void}} props */
export function RecordHere({ piece, number, secret, open, why, onDone }) {
  const [phase, setPhase] = useState(/** @type {"closed" | "opening" | "ready" | "recording"} */ ("closed"));
  const [kept, setKept] = useState(/** @type {Made | null} */ (null));
  const [trouble, setTrouble] = useState("");
  const [device, setDevice] = useState("");
  const [devices, setDevices] = useState(/** @type {{id: string, label: string}[]} */ ([]));
  const [sec, setSec] = useState(0);
  const [level, setLevel] = useState("");
  const [clipped, setClipped] = useState(false);
  const [holes, setHoles] = useState(0);
  const [handedIn, setHandedIn] = useState(false);
  /** @type {{current: Microphone | null}} */
  const microphone = useRef(null);
  /** @type {{current: HTMLCanvasElement | null}} */
  const meter = useRef(null);
  const hold = useRef({ db: -99, at: 0, said: 0 });
  const awake = useRef(/** @type {WakeLockSentinel | null} */ (null));
  const place = useFocusHere(`${phase} ${kept?.recording.id ?? ""}`);
  const cannot = whyNoRecording();

  const look = async () => {
    try {
      // A page that was just reloaded may still hold its recording for a moment.
      const found = await waitingHere(number, piece.piece_id, (running) => void spool.whenLeft(running).then(look));
      if (!microphone.current) setKept(found);
    } catch (error) {
      setTrouble(sentenceOf(error));
    }
  };
  useEffect(() => void look(), [number, piece.piece_id]);

  const close = async () => {
    const opened = microphone.current;
    microphone.current = null;
    await awake.current?.release();
    awake.current = null;
    await opened?.close();
  };
  // A page that is left stops what it records; the recording waits here.
  useEffect(() => () => void close(), []);

  const prepare = async (/** @type {string} */ wanted) => {
    setTrouble("");
    setClipped(false);
    setHandedIn(false);
    setPhase("opening");
    try {
      await close();
      const opened = await Microphone.open(wanted);
      microphone.current = opened;
      opened.onTrouble = setTrouble;
      opened.onKept = (seconds) => {
        setSec(seconds);
        setHoles(opened.holes);
      };
      opened.onLevel = ({ peak, rms }) => {
        const now = performance.now();
        const peakDb = decibel(peak);
        if (peakDb > hold.current.db || now - hold.current.at > HOLD_MS) hold.current = { ...hold.current, db: peakDb, at: now };
        if (meter.current) drawMeter(meter.current, decibel(rms), hold.current.db);
        if (peak >= CLIP) setClipped(true);
        if (now - hold.current.said > SAID_EVERY_MS) {
          hold.current.said = now;
          setLevel(levelText(peakDb, hold.current.db));
        }
      };
      setDevices(await microphones());
      setDevice(opened.deviceId);
      setPhase("ready");
    } catch (error) {
      setTrouble(sentenceOf(error));
      setPhase("closed");
    }
  };

  const record = async () => {
    const opened = microphone.current;
    if (!opened) return;
    setSec(0);
    setHoles(0);
    setClipped(false);
    setTrouble("");
    try {
      // A telephone that goes to sleep would end the recording. Refused (battery saving), the page records all the same.
      awake.current = (await navigator.wakeLock?.request("screen").catch(() => null)) ?? null;
      await opened.record({
        candidate_id: "", blind_number: number, piece_id: piece.piece_id, piece_title: piece.title, replaces: null, kept_for: KEPT_FOR,
        marked_sec: piece.marked_sec, shortest_sec: piece.shortest_sec,
      });
      setPhase("recording");
    } catch (error) {
      setTrouble(`The recording could not begin: ${sentenceOf(error)}`);
    }
  };

  const stop = async () => {
    const opened = microphone.current;
    if (!opened?.recording) return;
    try {
      const finished = await opened.stop();
      await close();
      setKept(await made(finished, false));
    } catch (error) {
      setTrouble(sentenceOf(error));
    } finally {
      setPhase("closed");
    }
  };

  const leave = async () => {
    await close();
    setPhase("closed");
  };

  if (kept) {
    return html`<${Kept} kept=${kept} holes=${holes} piece=${piece} secret=${secret} why=${open ? why : "The handing in is closed."} place=${place}
      onGone=${look} onDone=${async (/** @type {any} */ page) => { setHandedIn(true); await look(); onDone(page); }} />`;
  }
  if (!open && phase !== "recording") return null;
  if (phase === "closed" || phase === "opening") {
    return html`<div ref=${place} tabindex="-1" class="here">
      <p>Or record it here, hear it, and hand it in then.</p>
      <${Wrong}>${trouble}<//>
      <div class="deeds"><${Deed} busy=${phase === "opening"} onClick=${() => prepare(device)} why=${cannot || why}>Record ${piece.title} here<//></div>
      <p role="status">${handedIn ? "The recording made here is handed in; its receipt stands above." : ""}</p>
    </div>`;
  }
  const liberties = microphone.current?.liberties ?? [];
  return html`<div ref=${place} tabindex="-1" class="recording" role="group" aria-label=${`Recording ${piece.title}`}>
    ${phase === "ready" && devices.length > 1
      ? html`<${Choice} label="Microphone" value=${device} onValue=${prepare} options=${devices.map((one) => ({ key: one.id, name: one.label }))} />`
      : null}
    <canvas class="meter" width="480" height="18" ref=${meter} role="img" aria-label="Level of the microphone"></canvas>
    <p class="soft level">${clipped ? null : level}
      <span role="status">${clipped ? html`<strong>The sound has clipped: it was too loud for the microphone. Move it away and begin again.</strong>` : null}</span></p>
    ${liberties.length ? html`<div class="notice wrong"><p>This device does ${liberties.join(" and ")} although it was asked not to; switch it off in its settings, or pitch and loudness suffer.</p></div>` : null}
    ${phase === "ready"
      ? html`<p>Play a loud place first and look at the level. Put the device where it stands still, switch calls and other sounds off, and keep this page in front.</p>`
      : html`<p class="time figures" role="timer" aria-live="off">${clock(sec)}${piece.marked_sec ? html` <span class="soft of">of about ${clock(Math.round(piece.marked_sec))}</span>` : null}</p>
          <p class="soft" role="status">Recording. Every second is kept on this device; nothing is sent yet.</p>`}
    <${Holes} holes=${holes} />
    <${Wrong}>${trouble}<//>
    <div class="deeds">
      ${phase === "ready"
        ? html`<${Deed} kind="deed big" onClick=${record}>Start recording<//><${Deed} kind="plain" onClick=${leave}>Leave<//>`
        : html`<${Deed} kind="deed big stop" onClick=${stop}>Stop and listen<//>`}
    </div>
  </div>`;
}

/** @param {{holes: number}} props */
const Holes = ({ holes }) =>
  html`<div role="status">${holes ? html`<p><strong>This device was too busy and lost sound in ${holes} place${holes === 1 ? "" : "s"}.</strong> Close other programs and tabs, then record again.</p>` : null}</div>`;

/**
 * A recording that waits on this device: hear it, then hand it in or throw it away.
 * @param {{kept: Made, holes: number, piece: any, secret: string, why: string, place: any, onGone: () => Promise<void>, onDone: (page: any) => Promise<void>}} props
 */
function Kept({ kept, holes, piece, secret, why, place, onGone, onDone }) {
  const act = useAct();
  const [address, setAddress] = useState("");
  const [share, setShare] = useState(/** @type {number | null} */ (null));
  const [dropping, setDropping] = useState(false);
  const { recording, looked, cut, sound } = kept;
  useEffect(() => {
    const url = URL.createObjectURL(sound);
    setAddress(url);
    return () => URL.revokeObjectURL(url);
  }, [sound]);
  const submit = () =>
    act.run(async () => {
      try {
        // The same file after a reload, so that what was begun goes on where it stopped.
        const file = new File([sound], `recorded here ${recording.id.slice(0, 8)}.wav`, { type: "audio/wav", lastModified: recording.started_at });
        const page = await handIn(secret, piece.piece_id, file, setShare);
        await spool.drop(recording.id);
        await onDone(page);
      } catch (error) {
        if (!(error instanceof ApiError) || !error.passing) throw error;
        throw new ApiError(`${error.sentence} The recording is kept on this device; hand it in again when the network is back.`);
      } finally {
        setShare(null);
      }
    });
  const counts = piece.takes.some((/** @type {any} */ take) => take.counts);
  const refused = looked.usable ? "" : "It can't be used; record again.";
  return html`<div ref=${place} tabindex="-1" class="recording" role="group" aria-label=${`Recording of ${piece.title}, not handed in yet`}>
    <p><strong>Recorded here, not handed in yet:</strong> ${clock(looked.sec)}, ${new Date(recording.started_at).toLocaleString(undefined, { weekday: "short", hour: "2-digit", minute: "2-digit" })}.${cut ? " The browser went away in the middle of it; this much was kept." : ""}</p>
    ${address ? html`<audio controls src=${address} aria-label=${`The recording of ${piece.title} just made`}></audio>` : null}
    ${looked.sentences.length
      ? html`<p>${looked.usable ? "Worth a look before you hand it in:" : "This recording can't be used:"}</p><ul>${looked.sentences.map((sentence) => html`<li>${sentence}</li>`)}</ul>`
      : html`<p>Length and level are as they should be, nothing is overloaded. Listen to it first.</p>`}
    <${Holes} holes=${holes} />
    <${Wrong}>${act.error}<//>
    ${share !== null ? html`<label class="sending">${share < 1 ? "Sending" : "The server is listening to it"} <progress max="1" value=${share}></progress> ${Math.round(share * 100)} %</label>` : null}
    <div class="deeds">
      <${Deed} kind="deed" busy=${act.busy} onClick=${submit} why=${why || refused}>${counts ? "Hand in this recording instead" : "Hand in this recording"}<//>
      ${act.busy ? null : html`<${Deed} kind="plain" onClick=${() => setDropping(true)}>Throw it away<//>`}
    </div>
    <p class="soft small">Not content? Throw it away and record again. It waits on this device until you decide.</p>
    ${dropping
      ? html`<${Ask} title="Throw this recording away?" sentences=${["Nobody can bring it back.", "What you handed in before stays."]} deed="Throw it away" onClose=${() => setDropping(false)}
          onDo=${async () => { await spool.drop(recording.id); await onGone(); }} />`
      : null}
  </div>`;
}
