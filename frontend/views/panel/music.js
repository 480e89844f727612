/** The engraved music: a tap on a bar plays from there and lets a remark be written about it. */

import { barAtPlace, loadMusic } from "../../core/music.js";
import { Drawing, Waiting, html, useEffect, useLoad, useRef, useState } from "../parts.js";

const SVG = "http://www.w3.org/2000/svg";
const SHOWN = "fairhearing.music-shown"; // "yes" or "no" once somebody has opened it or folded it away
const BESIDE = "(min-width: 70rem)"; // there the marks stand beside it; elsewhere it would push them out of sight

const shownAtFirst = () => (localStorage.getItem(SHOWN) ?? (matchMedia(BESIDE).matches ? "yes" : "no")) === "yes";

/**
 * Put one mark behind the notes of a bar. The notes themselves stay as they are.
 * @param {SVGElement} svg
 * @param {import("../../core/music.js").PrintedBar | undefined} bar
 * @param {string} what
 */
function mark(svg, bar, what) {
  if (!bar) return;
  const box = document.createElementNS(SVG, "rect");
  box.setAttribute("data-bar", what);
  box.setAttribute("x", String(bar.left));
  box.setAttribute("width", String(bar.right - bar.left));
  // What sounds is an area, what was chosen a frame, as on a student's page: both can be seen at once.
  box.setAttribute("y", String(bar.top));
  box.setAttribute("height", String(bar.bottom - bar.top));
  svg.prepend(box);
}

/**
 * @param {{piece: any, token: string | null, chosen: string | null, sounding: string | null, onBar: (bar: string) => void}} props
 *   chosen: the bar a remark is written about; sounding: the bar that is played
 */
export function Music({ piece, token, chosen, sounding, onBar }) {
  const music = useLoad(() => loadMusic(piece.piece_id, token), [piece.piece_id]);
  const [open, setOpen] = useState(shownAtFirst);
  const [drawn, setDrawn] = useState(/** @type {SVGSVGElement | null} */ (null));
  const line = useRef(-1);
  const bars = music.data?.bars ?? [];
  useEffect(() => {
    if (!drawn) return;
    for (const old of drawn.querySelectorAll("[data-bar]")) old.remove();
    mark(drawn, bars.find((bar) => bar.bar === chosen), "chosen");
    const played = bars.find((bar) => bar.bar === sounding);
    mark(drawn, played, "sounding");
    // A new line comes into sight by itself; within a line nothing moves under the finger.
    const frame = drawn.parentElement;
    if (!played || !frame || played.top === line.current) return;
    line.current = played.top;
    const scale = drawn.getBoundingClientRect().height / drawn.viewBox.baseVal.height;
    const [top, bottom] = [played.top * scale, played.bottom * scale];
    if (top < frame.scrollTop || bottom > frame.scrollTop + frame.clientHeight) frame.scrollTop = top;
  }, [drawn, chosen, sounding, music.data]);
  const tap = (event) => {
    const toPicture = drawn?.getScreenCTM()?.inverse();
    if (!toPicture) return;
    const { x, y } = new DOMPoint(event.clientX, event.clientY).matrixTransform(toPicture);
    const bar = barAtPlace(bars, x, y);
    if (bar) onBar(bar.bar);
  };
  const fold = (event) => {
    const now = event.currentTarget.open;
    if (now === open) return; // the browser tells of the first opening too
    setOpen(now);
    localStorage.setItem(SHOWN, now ? "yes" : "no");
  };
  return html`<details class="music" open=${open} onToggle=${fold}>
    <summary>Music</summary>
    ${music.data
      ? html`<${Drawing} kind="engraving" svg=${music.data.svg} label=${`Music of ${piece.title}`} onReady=${setDrawn} onClick=${tap} />`
      : music.error
        ? html`<p class="soft">${music.error}</p>`
        : html`<${Waiting} what="Engraving" />`}
  </details>`;
}
