/** The take with its marked part: follow it while it plays, choose a note to hear it and to see its figures. */

import { keptJson, keptSound } from "../../core/kept-page.js";
import { Player } from "../panel/player.js";
import { Choice, Deed, Drawing, Waiting, Wrong, html, useEffect, useLoad, useRef, useState } from "../parts.js";

const SVG = "http://www.w3.org/2000/svg";
const NARROW_PX = 600; // below this the music stands in narrow lines; our choice
const REACH = 22; // points around a note head that a finger may miss; our choice
const BEFORE_SEC = 0.08; // a note is heard from a little before it begins
const LEAST_SEC = 0.3; // and for at least so long

/** @returns {boolean} whether the screen is narrow now */
function useNarrow() {
  const query = `(max-width: ${NARROW_PX}px)`;
  const [narrow, setNarrow] = useState(() => matchMedia(query).matches);
  useEffect(() => {
    const asked = matchMedia(query);
    const tell = () => setNarrow(asked.matches);
    asked.addEventListener("change", tell);
    return () => asked.removeEventListener("change", tell);
  }, []);
  return narrow;
}

/** @param {{round: any, secret: string}} props */
export function MarkedTake({ round, secret }) {
  const [pieceId, setPieceId] = useState(round.parts[0]?.piece_id ?? "");
  const part = round.parts.find((one) => one.piece_id === pieceId);
  return html`
    ${round.parts.length > 1
      ? html`<${Choice} label="Piece" short value=${pieceId} onValue=${setPieceId} options=${round.parts.map((one) => ({ key: one.piece_id, name: one.title }))} />`
      : null}
    ${part ? html`<${OnePart} key=${pieceId} round=${round} part=${part} secret=${secret} />` : null}`;
}

/** @param {{round: any, part: any, secret: string}} props */
function OnePart({ round, part, secret }) {
  const loaded = useLoad(() => keptJson(secret, `/api/student/candidates/${round.candidate_id}/pieces/${part.piece_id}`), [part.piece_id]);
  const narrow = useNarrow();
  const [chosen, setChosen] = useState("");
  /** @type {import("../panel/player.js").PartPlayer} */
  const playPart = useRef(null);
  const follow = useRef(/** @type {(sec: number) => void} */ (() => {}));
  const music = loaded.data?.value;
  const picture = music ? (narrow ? music.narrow : music.wide) : null;
  const source = part.take
    ? {
        peaks: async () => (await keptJson(secret, `/api/student/takes/${part.take.take_id}/peaks`)).value,
        sound: () => keptSound(secret, `/api/student/takes/${part.take.take_id}/playback`),
      }
    : null;
  const hear = (engravedId) => {
    const sound = music?.sounds.find((one) => one.engraved_id === engravedId);
    if (sound) playPart.current?.(Math.max(0, sound.onset_sec - BEFORE_SEC), Math.max(sound.offset_sec, sound.onset_sec + LEAST_SEC));
  };
  const choose = (engravedId) => {
    setChosen(engravedId);
    hear(engravedId);
  };
  return html`
    <h2>${part.title}</h2>
    ${source ? html`<${Player} take=${part.take} source=${source} noBars=${part.has_music ? undefined : "This piece has no notation here, so there are no bars to go to."} onSec=${(sec) => follow.current(sec)} playPart=${playPart} />` : html`<p>No take of this piece was kept, so there is nothing to hear.</p>`}
    <${Wrong}>${loaded.error}<//>
    ${loaded.loading && !music ? html`<${Waiting} what="Loading the music" />` : null}
    ${music && !picture ? html`<p>This piece has no notation here, and its sound was not measured when the sheet was made, so there is no picture.</p>` : null}
    ${picture
      ? html`<${NoteWords} music=${music} chosen=${chosen} onChoose=${choose} onHear=${source ? hear : null} />
          <${Marked} key=${narrow ? "narrow" : "wide"} picture=${picture} sounds=${music.sounds} title=${part.has_music ? `The marked part of ${part.title}` : `What was heard of ${part.title}`} chosen=${chosen} onChoose=${choose} follow=${follow} />
          ${part.caption ? html`<p class="soft small">${part.caption}</p>` : null}`
      : null}`;
}

/**
 * The figures of one note, and the way to its neighbours without a pointer.
 * @param {{music: any, chosen: string, onChoose: (id: string) => void, onHear: ((id: string) => void) | null}} props
 */
function NoteWords({ music, chosen, onChoose, onHear }) {
  const figures = music.figures;
  const at = figures.findIndex((one) => one.engraved_id === chosen);
  const note = figures[at];
  const step = (by) => onChoose(figures[Math.min(figures.length - 1, Math.max(0, at + by))].engraved_id);
  return html`<section class="note-words" aria-label="Figures of one note">
    <div class="note-says" role="status">
      ${note
        ? html`<p><strong>${note.name}</strong> <span class="soft">${note.bar ? `bar ${note.bar}, ` : ""}${note.beat}</span></p><p>${note.sentences.join(" ")}</p>`
        : html`<p class="soft">Choose a note to hear it and to see its figures.</p>`}
    </div>
    <div class="deeds">
      <${Deed} onClick=${() => step(-1)} why=${at === 0 ? "This is the first note." : ""} showWhy=${false}>Note before<//>
      ${onHear && note ? html`<${Deed} onClick=${() => onHear(chosen)}>Hear it again<//>` : null}
      <${Deed} onClick=${() => step(1)} why=${at === figures.length - 1 ? "This is the last note." : ""} showWhy=${false}>${at < 0 ? "First note" : "Note after"}<//>
    </div>
  </section>`;
}

/**
 * @param {string} kind
 * @param {SVGElement} svg
 * @returns {SVGRectElement}
 */
function bandIn(kind, svg) {
  const band = document.createElementNS(SVG, "rect");
  band.setAttribute("class", kind);
  band.setAttribute("visibility", "hidden");
  svg.prepend(band);
  return band;
}

/**
 * Put a band behind a note, as high as its system with the lanes; out of sight without a note.
 * @param {SVGRectElement | null} band
 * @param {any} picture
 * @param {any} note
 */
function put(band, picture, note) {
  if (!band) return;
  band.setAttribute("visibility", note ? "visible" : "hidden");
  if (!note) return;
  const [top, bottom] = picture.systems[note.system];
  band.setAttribute("x", String(note.left - 3));
  band.setAttribute("width", String(note.right - note.left + 6));
  band.setAttribute("y", String(top - 2));
  band.setAttribute("height", String(bottom - top - 4));
}

/**
 * @param {{picture: any, sounds: any[], title: string, chosen: string, onChoose: (id: string) => void, follow: {current: (sec: number) => void}}} props
 */
function Marked({ picture, sounds, title, chosen, onChoose, follow }) {
  const drawn = useRef(/** @type {SVGElement | null} */ (null));
  const sounding = useRef(/** @type {SVGRectElement | null} */ (null));
  const marked = useRef(/** @type {SVGRectElement | null} */ (null));
  const last = useRef(-1);
  const byId = new Map(picture.notes.map((note) => [note.engraved_id, note]));
  follow.current = (sec) => {
    let at = -1;
    for (let i = 0; i < sounds.length && sounds[i].onset_sec <= sec; i += 1) at = i;
    const note = at >= 0 && sec <= sounds[at].offset_sec + 0.3 ? byId.get(sounds[at].engraved_id) : null;
    put(sounding.current, picture, note);
    if (note && note.system !== last.current) {
      last.current = note.system;
      sounding.current?.scrollIntoView({ block: "nearest", behavior: matchMedia("(prefers-reduced-motion: reduce)").matches ? "auto" : "smooth" });
    }
  };
  useEffect(() => put(marked.current, picture, byId.get(chosen)), [chosen, picture]);
  const ready = (svg) => {
    drawn.current = svg;
    marked.current = bandIn("chosen", svg);
    sounding.current = bandIn("sounding", svg);
    put(marked.current, picture, byId.get(chosen));
  };
  const tap = (event) => {
    const svg = /** @type {SVGSVGElement | null} */ (drawn.current);
    const matrix = svg?.getScreenCTM()?.inverse();
    if (!matrix) return;
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(matrix);
    const system = picture.systems.findIndex(([top, bottom]) => at.y >= top && at.y <= bottom);
    let nearest = null;
    let least = REACH;
    // In the lanes a note is meant by its place from left to right.
    for (const note of picture.notes) {
      if (note.system !== system) continue;
      const away = Math.abs(at.x - (note.left + note.right) / 2);
      if (away < least) [nearest, least] = [note, away];
    }
    if (nearest) onChoose(nearest.engraved_id);
  };
  return html`<${Drawing} kind="engraving marked" svg=${picture.svg} label=${`${title}; the buttons above go from note to note`} onReady=${ready} onClick=${tap} />`;
}
