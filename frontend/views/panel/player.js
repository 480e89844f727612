/** The player: waveform with bars, from a bar on, bars again, slower at the same pitch. */

import { call, fetchBlob } from "../../core/api.js";
import { Choice, Deed, Waiting, Wrong, clock, html, sentenceOf, useEffect, useId, useLoad, useRef, useState } from "../parts.js";

const WIDTH = 1000;
const MIDDLE = 46;
const TALL = 38;
const SPEEDS = [
  { key: "1", name: "as played" },
  { key: "0.75", name: "slower" },
  { key: "0.5", name: "half as fast" },
];
const STEP_SEC = 5; // arrow keys, our choice

/**
 * The outline of the waveform as a closed path, from 0 to WIDTH.
 * @param {(number | [number, number])[]} peaks largest sample of each slice, or [lowest, highest]
 * @returns {string}
 */
function outline(peaks) {
  if (peaks.length === 0) return `M0 ${MIDDLE}H${WIDTH}`;
  const size = peaks.map((peak) => (Array.isArray(peak) ? Math.max(Math.abs(peak[0]), Math.abs(peak[1])) : Math.abs(peak)));
  const most = Math.max(...size, 1e-6);
  const x = (/** @type {number} */ index) => ((index / Math.max(1, size.length - 1)) * WIDTH).toFixed(1);
  const h = (/** @type {number} */ value) => Math.max(0.6, (value / most) * TALL);
  const upper = size.map((value, index) => `${x(index)} ${(MIDDLE - h(value)).toFixed(1)}`);
  const lower = size.map((value, index) => `${x(index)} ${(MIDDLE + h(value)).toFixed(1)}`).reverse();
  return `M${upper.join("L")}L${lower.join("L")}Z`;
}

/**
 * @param {{bar: string, at_sec: number}[]} bars
 * @param {number} sec
 * @returns {number} index of the bar that sounds, -1 before the first
 */
function barAt(bars, sec) {
  let found = -1;
  bars.forEach((bar, index) => {
    if (bar.at_sec <= sec + 0.001) found = index;
  });
  return found;
}

/**
 * @typedef {object} Source where a take comes from
 * @property {() => Promise<any>} peaks
 * @property {() => Promise<Blob>} sound
 */

/**
 * @param {any} take
 * @param {string | null} token
 * @returns {Source} a take as the panel hears it
 */
export const panelSource = (take, token) => ({
  peaks: () => call("GET", `/api/panel/takes/${take.take_id}/peaks`, undefined, { token }),
  sound: () => fetchBlob(`/api/panel/takes/${take.take_id}/playback`, { token }),
});

/** @typedef {{current: ((from: number, to: number) => void) | null}} PartPlayer plays one stretch of the take, in seconds */

/**
 * @param {{take: any, source: Source, jump?: {current: ((bar: string) => void) | null}, onSounding?: (bar: string | null) => void, onBar?: (bar: string) => void, onSec?: (sec: number) => void, playPart?: PartPlayer, noBars?: string}} props
 *   jump: goes to a bar from outside; onSounding: told which bar sounds; onBar: told which bar was tapped; onSec: told the
 *   place while it plays; noBars: why there will never be bars; without it they are to come
 */
export function Player({ take, source, jump, onSounding, onBar, onSec, playPart, noBars }) {
  const shape = useLoad(() => source.peaks(), [take.take_id]);
  /** @type {{current: HTMLAudioElement | null}} */
  const audio = useRef(null);
  const loop = useRef(/** @type {{from: number, to: number} | null} */ (null));
  const until = useRef(Infinity); // a single stretch ends there
  const [address, setAddress] = useState("");
  const [error, setError] = useState("");
  const [playing, setPlaying] = useState(false);
  const [sec, setSec] = useState(0);
  const [speed, setSpeed] = useState("1");
  const [from, setFrom] = useState("");
  const [to, setTo] = useState("");
  const [looping, setLooping] = useState(false);
  const clip = useId();

  useEffect(() => {
    let gone = false;
    let made = "";
    source
      .sound()
      .then((blob) => {
        if (gone) return;
        made = URL.createObjectURL(blob);
        setAddress(made);
      })
      .catch((trouble) => {
        if (!gone) setError(sentenceOf(trouble));
      });
    return () => {
      gone = true;
      if (made) URL.revokeObjectURL(made);
    };
  }, [take.take_id]);

  useEffect(() => {
    if (!playing) return undefined;
    let frame = 0;
    const follow = () => {
      const element = audio.current;
      if (element) {
        if (loop.current && element.currentTime >= loop.current.to) element.currentTime = loop.current.from;
        if (element.currentTime >= until.current) element.pause();
        setSec(element.currentTime);
        onSec?.(Math.min(element.currentTime, until.current));
      }
      frame = requestAnimationFrame(follow);
    };
    frame = requestAnimationFrame(follow);
    return () => cancelAnimationFrame(frame);
  }, [playing]);

  useEffect(() => {
    if (!audio.current) return;
    audio.current.preservesPitch = true;
    audio.current.playbackRate = Number(speed);
  }, [speed, address]);

  const duration = shape.data?.duration_sec ?? take.duration_sec ?? 0;
  const bars = shape.data?.bars ?? [];
  const current = barAt(bars, sec);
  const currentBar = current < 0 ? null : String(bars[current].bar);
  useEffect(() => onSounding?.(currentBar), [currentBar]);
  useEffect(
    () => () => {
      if (jump) jump.current = null;
      onSounding?.(null);
    },
    [],
  );
  const seek = (/** @type {number} */ at) => {
    const target = Math.max(0, Math.min(duration, at));
    if (audio.current) audio.current.currentTime = target;
    setSec(target);
    onSec?.(target);
  };
  const play = () => {
    const element = audio.current;
    if (!element) return;
    until.current = Infinity;
    element.play().catch((trouble) => setError(`The take can't be played: ${trouble.message}`));
  };
  const toggle = () => (playing ? audio.current?.pause() : play());
  const stopLoop = () => {
    loop.current = null;
    setLooping(false);
  };
  const chosenFrom = from === "" ? Math.max(0, current) : Number(from);
  const chosenTo = to === "" ? chosenFrom : Math.max(chosenFrom, Number(to));
  const fromBar = () => {
    stopLoop();
    seek(bars[chosenFrom].at_sec);
    play();
  };
  const again = () => {
    if (looping) {
      stopLoop();
      return;
    }
    loop.current = { from: bars[chosenFrom].at_sec, to: bars[chosenTo + 1]?.at_sec ?? duration };
    setLooping(true);
    seek(loop.current.from);
    play();
  };
  useEffect(() => {
    if (!jump) return;
    jump.current = (wanted) => {
      const found = bars.find((bar) => String(bar.bar) === wanted);
      if (!found) return;
      stopLoop();
      seek(found.at_sec);
    };
  });
  if (playPart) {
    playPart.current = (start, end) => {
      if (!address) return;
      stopLoop();
      seek(start);
      play();
      until.current = end;
    };
  }
  const tap = (event) => {
    const box = event.currentTarget.getBoundingClientRect();
    const at = ((event.clientX - box.left) / box.width) * duration;
    seek(at);
    const index = barAt(bars, at);
    if (index >= 0) onBar?.(String(bars[index].bar));
  };
  const keys = (event) => {
    const step = { ArrowRight: STEP_SEC, ArrowLeft: -STEP_SEC }[event.key];
    if (step) seek(sec + step);
    else if (event.key === "Home") seek(0);
    else if (event.key === " " || event.key === "Enter") toggle();
    else return;
    event.preventDefault();
  };
  const x = (/** @type {number} */ at) => (duration ? (at / duration) * WIDTH : 0);
  const everyBar = Math.max(1, Math.ceil(bars.length / 12));
  const whyNot = address ? "" : error ? "The take could not be loaded." : "The take is loading.";
  const whyNoBars = bars.length ? whyNot : (noBars ?? "Bars show once the take is measured.");
  const barOptions = (/** @type {string} */ none) => [{ key: "", name: none }, ...bars.map((bar, index) => ({ key: String(index), name: String(bar.bar) }))];
  const spoken = `${clock(sec)} of ${clock(duration)}${current >= 0 ? `, bar ${bars[current].bar}` : ""}`;
  return html`
    <${Wrong}>${error || shape.error}<//>
    ${address ? html`<audio ref=${audio} src=${address} preload="auto" onPlay=${() => setPlaying(true)} onPause=${() => setPlaying(false)} onEnded=${() => setPlaying(false)}></audio>` : null}
    <div class="waveform" role="slider" tabindex="0" aria-label="Place in the take" aria-valuemin="0" aria-valuemax=${Math.round(duration)} aria-valuenow=${Math.round(sec)} aria-valuetext=${spoken} onClick=${tap} onKeyDown=${keys}>
      ${shape.data
        ? html`<svg viewBox=${`0 0 ${WIDTH} 100`} preserveAspectRatio="none" aria-hidden="true">
              <defs><clipPath id=${clip}><rect x="0" y="0" width=${x(sec)} height="100" /></clipPath></defs>
              ${bars.map((bar) => html`<line x1=${x(bar.at_sec)} x2=${x(bar.at_sec)} y1="0" y2="88" stroke="var(--line)" vector-effect="non-scaling-stroke" />`)}
              <path d=${outline(shape.data.peaks ?? [])} fill="var(--unheard)" />
              <path d=${outline(shape.data.peaks ?? [])} fill="var(--heard)" clip-path=${`url(#${clip})`} />
              <line x1=${x(sec)} x2=${x(sec)} y1="0" y2="92" stroke="var(--deed)" stroke-width="2" vector-effect="non-scaling-stroke" />
            </svg>`
        : html`<${Waiting} what="Loading the take" />`}
    </div>
    ${shape.data && bars.length ? html`<${BarNumbers} bars=${bars} every=${everyBar} duration=${duration} />` : null}
    <p class="soft small figures">${spoken}</p>
    <div class="players">
      <span class="wide"><${Deed} onClick=${toggle} why=${whyNot} showWhy=${false}>${playing ? "Pause" : "Play"}<//></span>
      ${bars.length || !noBars
        ? html`<${Deed} onClick=${fromBar} why=${whyNoBars} showWhy=${false}>From bar ${bars[chosenFrom]?.bar ?? "…"}<//>
            <${Deed} onClick=${again} why=${whyNoBars} showWhy=${false}>${looping ? "Go on" : chosenFrom === chosenTo ? `Bar ${bars[chosenFrom]?.bar ?? "…"} again` : `Bars ${bars[chosenFrom]?.bar}–${bars[chosenTo]?.bar} again`}<//>`
        : null}
    </div>
    ${bars.length ? null : html`<p class="soft small">${shape.data ? whyNoBars : ""}</p>`}
    <div class="three">
      ${bars.length
        ? html`<${Choice} label="From bar" short value=${from} onValue=${(value) => { setFrom(value); stopLoop(); }} options=${barOptions("this one")} />
            <${Choice} label="to bar" short value=${to} onValue=${(value) => { setTo(value); stopLoop(); }} options=${barOptions("same")} />`
        : null}
      <${Choice} label="Speed" short value=${speed} onValue=${setSpeed} options=${SPEEDS} />
    </div>`;
}

/** @param {{bars: {bar: string, at_sec: number}[], every: number, duration: number}} props */
function BarNumbers({ bars, every, duration }) {
  return html`<div class="bars-below" aria-hidden="true">
    ${bars.map((bar, index) => (index % every === 0 ? html`<span style=${{ left: `${(bar.at_sec / duration) * 100}%` }}>${bar.bar}</span>` : null))}
  </div>`;
}
