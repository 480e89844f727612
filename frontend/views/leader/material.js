/** Set-up: the pieces that must be played. */

import { call } from "../../core/api.js";
import { Ask, Deed, Waiting, Wrong, counted, html, useLoad, useState } from "../parts.js";
import { AddAbc, AddGenerated, AddNotation } from "./add-piece.js";
import { AddSightReading } from "./add-sight-reading.js";
import { PieceView } from "./piece.js";
import { AddUntyped } from "./untyped-piece.js";

const KINDS = { notation: "notation file", abc: "typed bars", generated: "generated", "sight-reading": "sight-reading", untyped: "without notation" };
const WAYS_IN = [
  { key: "notation", name: "From a notation file", hint: "MusicXML, compressed or not, or a Standard MIDI file.", view: AddNotation },
  { key: "abc", name: "Type the bars", hint: "For what exists only on paper; the engraving stands beside it as you type.", view: AddAbc },
  { key: "generated", name: "Scale, arpeggio or chromatic run", hint: "Made from tonic, mode, octaves, rhythm and tempo.", view: AddGenerated },
  { key: "sight-reading", name: "Sight-reading", hint: "A melody made to be sung, sealed until a candidate's study time begins.", view: AddSightReading },
  { key: "untyped", name: "By its title, without notation", hint: "When nobody can type it in: heard and marked as any piece, and measured by its sound alone.", view: AddUntyped },
];

/** @param {{audition: any, defaults: any, reload: () => Promise<void>, more: string}} props */
export function Material({ audition, defaults, reload, more }) {
  const pieces = useLoad(() => call("GET", `/api/auditions/${audition.id}/pieces`), [audition.id]);
  const [removing, setRemoving] = useState(/** @type {any} */ (null));
  const names = Object.fromEntries(defaults.instruments.map((one) => [one.key, one.name]));
  const home = `#/${audition.id}/material`;
  const refresh = async () => {
    await Promise.all([pieces.reload(), reload()]);
  };
  const way = WAYS_IN.find((one) => one.key === more);
  if (way) {
    return html`<p><a href=${home}>Back to the material</a></p>
      <h2>${way.name}</h2>
      <${way.view}
        audition=${audition}
        instruments=${defaults.instruments}
        onDone=${async (piece) => {
          await refresh();
          location.hash = piece.sealed ? home : `${home}/${piece.id}`;
        }}
      />`;
  }
  if (more) {
    return html`<p><a href=${home}>Back to the material</a></p>
      <${PieceView} key=${more} id=${more} instruments=${names} onChange=${refresh} />`;
  }
  const list = pieces.data ?? [];
  return html`<h2>Material</h2>
    <${Wrong}>${pieces.error}<//>
    ${pieces.loading && !pieces.data ? html`<${Waiting} />` : null}
    ${pieces.data && list.length === 0
      ? html`<p class="next">Nothing must be played yet. Add the first piece in one of the ways below.</p>`
      : null}
    ${list.length
      ? html`<div class="table"><table class="cards">
          <thead><tr><th>Piece</th><th>Instrument</th><th>Bars</th><th>Phrases</th><th><span class="seen-by-ear">What to do</span></th></tr></thead>
          <tbody>
            ${list.map(
              (piece) => html`<tr>
                <th scope="row">${piece.sealed ? piece.title : html`<a href=${`${home}/${piece.id}`}>${piece.title}</a>`}<br /><span class="soft small">${KINDS[piece.kind] ?? piece.kind}</span></th>
                <td data-label="Instrument">${names[piece.instrument] ?? piece.instrument}</td>
                <td data-label="Bars">${barsText(piece)}</td>
                <td data-label="Phrases">${piece.sealed ? "sealed" : piece.kind === "untyped" ? "" : phrasesText(piece)}${piece.warnings.length ? html`<br /><span class="soft small">${piece.warnings[0]}</span>` : null}</td>
                <td class="act">
                  ${piece.sealed ? null : html`<a class="button" href=${`${home}/${piece.id}`}>Look and mark</a>${" "}`}
                  <${Deed} kind="plain" label=${`Remove ${piece.title}`} onClick=${() => setRemoving(piece)}>Remove<//>
                </td>
              </tr>`,
            )}
          </tbody>
        </table></div>`
      : null}
    <h3>Add a piece</h3>
    <ul class="plain lined">
      ${WAYS_IN.map((one) => html`<li><a href=${`${home}/${one.key}`}>${one.name}</a><span class="hint">${one.hint}</span></li>`)}
    </ul>
    ${removing
      ? html`<${Ask}
          title=${`Remove ${removing.title}?`}
          sentences=${["The piece and what was marked on it are removed. A piece that has takes can't be removed."]}
          deed="Remove the piece"
          onClose=${() => setRemoving(null)}
          onDo=${async () => {
            await call("DELETE", `/api/pieces/${removing.id}`);
            await refresh();
          }}
        />`
      : null}`;
}

/** @param {any} piece */
function barsText(piece) {
  const bars = piece.heard_bars ?? [];
  if (bars.length === 0) return "";
  const first = bars[0];
  const last = bars[bars.length - 1];
  return first === last ? String(first) : `${first}–${last}`;
}

/** @param {any} piece */
function phrasesText(piece) {
  const phrases = piece.phrases ?? [];
  if (phrases.length === 0) return "none";
  return `${counted(phrases.length, "phrase")}${phrases.some((phrase) => phrase.guessed) ? ", guessed" : ", marked"}`;
}
