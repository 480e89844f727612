/** Recording through the microphone: get ready, record, hear it at once; it travels to the server by itself. */

import { call } from "../../core/api.js";
import { CHANNELS, Microphone, microphones, whyNoRecording } from "../../core/recorder.js";
import * as sending from "../../core/sending.js";
import * as spool from "../../core/spool.js";
import { countIn, metronome } from "../../core/sounds.js";
import { Ask, Choice, Deed, Wrong, clock, html, sentenceOf, useEffect, useFocusHere, useRef, useState } from "../parts.js";
import { decibel, drawMeter, levelText } from "./meter.js";
import { RoomCheck } from "./room-check.js";
import { Sounds } from "./sounds-view.js";
import { wayText } from "./way-text.js";

const CLIP = 0.999; // a sample this large counts as clipped, our choice
const HOLD_MS = 1500; // how long the peak mark stays, our choice
const CLIP_HOLD_MS = 4000; // our choice: while recording the warning stays
const SILENT = 1e-5; // a channel below this carries nothing, our choice: -100 dB
const KEPT_DEVICE = "fairhearing.microphone";
const CHANNEL_NAMES = [
  { key: "first", name: "the first (left)" },
  { key: "second", name: "the second (right)" },
  { key: "both", name: "both, averaged" },
];

/** @returns {{device: string, channel: "first" | "second" | "both"}} what was chosen on this device before */
function chosenBefore() {
  const text = localStorage.getItem(KEPT_DEVICE);
  return text ? JSON.parse(text) : { device: "", channel: "first" };
}

/**
 * @param {{what: {candidate_id: string, blind_number: string, piece_id: string, piece_title: string, replaces: string | null},
 *   length: {marked_sec: number | null, shortest_sec: number | null},
 *   sounds: {tuning_note: boolean, count_in_bars: number, metronome: boolean, click: boolean}, a4Hz: number, writtenA: string, token: string | null,
 *   onArrived: (take: any, sound: Blob | null) => Promise<void>, onSpool: () => Promise<void>, onBusy: (busy: boolean) => void, onShown: (id: string | null) => void, onLeave: () => void}} props
 *   length: of the excerpt as printed, and what playing of it lasts at least; onShown: which recording this view shows, so
 *   that nothing else does
 */
export function RecordView({ what, length, sounds, a4Hz, writtenA, token, onArrived, onSpool, onBusy, onShown, onLeave }) {
  /** @type {{current: Microphone | null}} */
  const microphone = useRef(null);
  /** @type {{current: HTMLCanvasElement | null}} */
  const meter = useRef(null);
  const clippedAt = useRef(0);
  const hold = useRef({ db: -99, at: 0 });
  /** @type {{current: ((rmsDb: number) => void) | null}} */
  const overhear = useRef(null);
  /** @type {{current: (() => number) | null}} */
  const hush = useRef(null);
  /** @type {{current: {id: string, sound: Blob | null}}} */
  const mine = useRef({ id: "", sound: null });
  /** @type {{current: AudioNode | null}} */
  const counting = useRef(null);
  const clicking = useRef(/** @type {(() => void) | null} */ (null));
  const [phase, setPhase] = useState("opening"); // opening | ready | counting | recording | sending | stuck
  const [devices, setDevices] = useState(/** @type {{id: string, label: string}[]} */ ([]));
  const [chosen, setChosen] = useState(chosenBefore);
  const [channels, setChannels] = useState(1);
  const [pulse, setPulse] = useState(/** @type {any} */ (null));
  const [sec, setSec] = useState(0);
  const [level, setLevel] = useState("");
  const [deaf, setDeaf] = useState(false);
  const [clipped, setClipped] = useState(false);
  const [trouble, setTrouble] = useState("");
  const [address, setAddress] = useState("");
  const [holes, setHoles] = useState(0);
  const [way, setWay] = useState(/** @type {import("../../core/sending.js").Way | null} */ (null));
  const [dropping, setDropping] = useState(false);

  useEffect(() => {
    let gone = false;
    const open = async () => {
      setPhase("opening");
      setTrouble("");
      const why = whyNoRecording();
      if (why) {
        setTrouble(why);
        setPhase("stuck");
        return;
      }
      try {
        const opened = await Microphone.open(chosen.device, CHANNELS[chosen.channel]).catch((error) => {
          // The one chosen last time may be unplugged today: take any before giving up.
          if (!chosen.device) throw error;
          return Microphone.open("", CHANNELS[chosen.channel]);
        });
        if (gone) {
          await opened.close();
          return;
        }
        microphone.current = opened;
        opened.onTrouble = setTrouble;
        opened.onKept = (kept) => {
          setSec(kept);
          setHoles(opened.holes);
        };
        let spoken = 0;
        opened.onLevel = ({ peak, peaks, rms }) => {
          const now = performance.now();
          const peakDb = decibel(peak);
          if (peakDb > hold.current.db || now - hold.current.at > HOLD_MS) hold.current = { db: peakDb, at: now };
          if (meter.current) drawMeter(meter.current, decibel(rms), hold.current.db);
          overhear.current?.(decibel(rms));
          if (peak >= CLIP) {
            clippedAt.current = now;
            setClipped(true);
          } else if (!opened.recording && now - clippedAt.current > CLIP_HOLD_MS) setClipped(false);
          setChannels(peaks.length);
          if (now - spoken > 1000) {
            spoken = now;
            const silent = peaks.length > 1 && peak < SILENT && Math.max(...peaks) >= SILENT;
            setDeaf(silent);
            setLevel(levelText(peakDb, hold.current.db));
          }
        };
        setDevices(await microphones());
        setPhase("ready");
      } catch (error) {
        setTrouble(sentenceOf(error));
        setPhase("stuck");
      }
    };
    void open();
    return () => {
      gone = true;
      const opened = microphone.current;
      microphone.current = null;
      clicking.current?.();
      if (opened) void opened.close();
    };
  }, [chosen.device]);

  useEffect(() => {
    if (!sounds.count_in_bars && !sounds.metronome && !sounds.click) return;
    // A piece without notation has no pulse; then nothing is counted.
    void call("GET", `/api/room/pieces/${what.piece_id}/pulse`, undefined, { token }).then(setPulse, () => setPulse(null));
  }, [what.piece_id]);

  useEffect(() => {
    const stopWatching = sending.onChange(() => setWay(mine.current.id ? sending.wayOf(mine.current.id) : null));
    const stopReceiving = sending.onArrived((recording, take) => {
      if (recording.id !== mine.current.id) return;
      onShown(null);
      void onArrived(take, mine.current.sound);
    });
    return () => {
      stopWatching();
      stopReceiving();
      onShown(null);
    };
  }, []);
  useEffect(() => () => URL.revokeObjectURL(address), [address]);

  const choose = (change) => {
    const now = { ...chosen, ...change };
    localStorage.setItem(KEPT_DEVICE, JSON.stringify(now));
    setChosen(now);
    if ("channel" in change) {
      microphone.current?.listenTo(CHANNELS[now.channel]);
      setClipped(false);
    }
  };

  const record = async () => {
    const opened = microphone.current;
    if (!opened) return;
    setClipped(false);
    setSec(0);
    setTrouble("");
    onBusy(true);
    try {
      // Whatever sounds is silent before the first sample is kept.
      let from = hush.current?.() ?? 0;
      if (pulse?.count_in_beats) {
        setPhase("counting");
        const start = Math.max(from, opened.context.currentTime) + 0.15;
        const out = opened.context.createGain();
        out.connect(opened.context.destination);
        counting.current = out;
        from = countIn(opened.context, { bpm: pulse.beats_per_minute, beats: pulse.beats }, pulse.count_in_beats, start, out);
        if (sounds.click) {
          // The counted clicks are recorded: they tell where the beat lies.
          clicking.current = metronome(opened.context, { bpm: pulse.beats_per_minute, beats: pulse.beats }, from);
          from = start - 0.1;
        } else {
          // Recording begins shortly before the first note is due: whoever comes in early is not cut off.
          from -= Math.min(0.15, 30 / pulse.beats_per_minute);
        }
      } else if (sounds.click && pulse) {
        clicking.current = metronome(opened.context, { bpm: pulse.beats_per_minute, beats: pulse.beats }, Math.max(from, opened.context.currentTime) + 0.3);
      }
      mine.current = { id: await opened.record(what, from), sound: null };
      onShown(mine.current.id);
      const { id } = mine.current;
      setTimeout(() => id === mine.current.id && setPhase("recording"), Math.max(0, (from - opened.context.currentTime) * 1000));
    } catch (error) {
      clicking.current?.();
      setTrouble(`The recording could not begin: ${sentenceOf(error)}`);
      setPhase("ready");
      onBusy(false);
    }
  };

  const stop = async () => {
    clicking.current?.();
    try {
      const finished = await microphone.current?.stop();
      if (!finished) return;
      mine.current.sound = await spool.asWav(finished).catch(() => null);
      if (mine.current.sound) setAddress(URL.createObjectURL(mine.current.sound));
      setPhase("sending");
    } catch (error) {
      setTrouble(sentenceOf(error));
      setPhase("ready");
    } finally {
      onBusy(false);
      await onSpool();
    }
  };

  const throwAway = async () => {
    counting.current?.disconnect();
    clicking.current?.();
    if (microphone.current?.recording) await microphone.current.stop();
    await sending.throwAway(mine.current.id);
    mine.current = { id: "", sound: null };
    onShown(null);
    onBusy(false);
    setPhase("ready");
    setWay(null);
    setSec(0);
    await onSpool();
  };

  const liberties = microphone.current?.liberties ?? [];
  const open = phase === "ready" || phase === "counting" || phase === "recording";
  const refused = way?.phase === "refused";
  const place = useFocusHere(phase);
  return html`<div class="recording" role="group" aria-label="Recording" tabindex="-1" ref=${place}>
    <p><strong>Number ${what.blind_number}, ${what.piece_title}</strong></p>
    ${phase === "opening" ? html`<p role="status">Opening the microphone …</p>` : null}
    ${phase === "ready" && (devices.length > 1 || channels > 1)
      ? html`<div class="side-by-side">
          ${devices.length > 1 ? html`<${Choice} label="Microphone" value=${microphone.current?.deviceId || chosen.device || devices[0].id} onValue=${(device) => choose({ device })} options=${devices.map((one) => ({ key: one.id, name: one.label }))} />` : null}
          ${channels > 1 ? html`<${Choice} label="Channel" value=${chosen.channel} onValue=${(channel) => choose({ channel })} options=${CHANNEL_NAMES} short />` : null}
        </div>`
      : null}
    ${open
      ? html`<canvas class="meter" width="480" height="18" ref=${meter} role="img" aria-label="Level of the microphone"></canvas>
          <p class="soft level">${clipped || deaf ? null : level}
            <span role="status">${clipped
              ? html`<strong>The sound has clipped: it was too loud for the microphone.</strong>`
              : deaf ? html`<strong>This channel is silent, the other one is not: choose the other channel.</strong>` : null}</span></p>
          ${liberties.length ? html`<div class="notice wrong"><p>This device does ${liberties.join(" and ")} although it was asked not to; switch it off in its settings, or pitch and loudness suffer.</p></div>` : null}`
      : null}
    ${phase === "ready"
      ? html`<${RoomCheck} overhear=${overhear} />
          <${Sounds} sounds=${sounds} a4Hz=${a4Hz} writtenA=${writtenA} pulse=${pulse} context=${microphone.current?.context ?? null} hush=${hush} />`
      : null}
    ${phase === "counting" ? html`<p class="time" role="status">Counting in …</p>` : null}
    ${phase === "recording"
      ? html`<p class="time figures" role="timer" aria-live="off">${clock(sec)}${length.marked_sec ? html` <span class="soft of">of about ${clock(length.marked_sec)}</span>` : null}</p>
          <p class="soft" role="status">${way && way.phase === "waiting"
            ? `${way.sentence} The recording goes on and is kept on this device.`
            : "Every second is kept on this device at once and sent to the server."}</p>`
      : null}
    ${holes ? html`<p role="status"><strong>This device was too busy and lost sound in ${holes} place${holes === 1 ? "" : "s"}.</strong> Close other programs and tabs, then record again.</p>` : null}
    ${phase === "sending"
      ? html`${length.shortest_sec && sec < length.shortest_sec
            ? html`<p role="status"><strong>${Math.floor(sec)} s recorded; the excerpt takes about ${Math.round(length.marked_sec ?? 0)} s.</strong> Was all of it played? Ask before the candidate leaves.</p>`
            : null}
          ${address ? html`<audio controls src=${address} aria-label="The recording just made"></audio>` : null}
          ${refused ? null : html`<p role="status">${wayText(way)}</p><progress max=${way?.chunks || 1} value=${way?.sent ?? 0} aria-label="Sent to the server"></progress>`}
          ${way?.phase === "waiting" ? html`<p>You can go on with the next number meanwhile.</p>` : null}`
      : null}
    ${refused ? html`<${Wrong}>${`The server does not take this recording: ${way?.sentence}`}<//>` : null}
    <${Wrong}>${trouble}<//>
    <div class="deeds">
      ${phase === "ready" ? html`<${Deed} kind="deed big" onClick=${record}>${pulse?.count_in_beats ? "Count in and record" : "Start recording"}<//>` : null}
      ${phase === "recording" ? html`<${Deed} kind="deed big stop" onClick=${stop}>Stop and keep<//>` : null}
      ${phase === "recording" || phase === "counting" || refused ? html`<${Deed} kind="plain" onClick=${() => setDropping(true)}>Throw this attempt away<//>` : null}
      ${phase === "sending" && refused ? html`<${Deed} onClick=${async () => { const kept = await spool.get(mine.current.id); if (kept) await sending.retry(kept); }}>Send it again<//>` : null}
      ${phase === "ready" || phase === "stuck" || phase === "opening" || phase === "sending" ? html`<button type="button" onClick=${onLeave}>Leave</button>` : null}
    </div>
    ${dropping
      ? html`<${Ask} title="Throw this attempt away?" sentences=${["Nobody can bring it back. The candidate has to play again."]} deed="Throw it away" onClose=${() => setDropping(false)} onDo=${throwAway} />`
      : null}
  </div>`;
}
