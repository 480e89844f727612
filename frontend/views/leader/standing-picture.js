/** The standing as a picture: a dot for the place, a bar for where it may lie, a bracket for whom the panel can't tell apart. */

import { html } from "../parts.js";

const ROW = 48;
const LOW_ROW = 34; // where rows are many; our choices
const MANY_ROWS = 40;
const BRACKETS_TO = 288;
const MOST_LANES = 5; // brackets side by side that an eye can follow; our choice
const LETTER = 8; // about the width of a letter of a name
const TOP = 46;
const WIDTH = 1100;
const AXIS_FROM = 330;
const AXIS_TO = 860;
const AXIS_TO_NAMES = 740; // where names stand beside it
const CUT = 30; // room between the rows for the cut line and its word

/** @param {number | null | undefined} chance */
export function chanceText(chance) {
  if (chance === null || chance === undefined) return "";
  if (chance >= 0.995) return "certain";
  if (chance < 0.005) return "—";
  return chance.toFixed(2).replace(/^0/, "");
}

/** @param {any} row the merged mark on the rubric's scale; rules that compare places rank by something else */
function merged(row) {
  const value = row.mark ?? row.total;
  return value === null || value === undefined ? "" : value.toFixed(2);
}

/**
 * Brackets side by side, none over another; where they are too many for that, those across the cut line alone.
 * @param {{from: number, to: number}[]} spans rows, first and last
 * @param {number} cut how many rows lie above the cut line, 0: none is drawn
 * @returns {{drawn: {from: number, to: number, lane: number}[], left: number}} left: how many are not drawn
 */
export function lanesOf(spans, cut) {
  const inLanes = (/** @type {{from: number, to: number}[]} */ some) => {
    /** @type {number[]} */
    const ends = [];
    return [...some]
      .sort((a, b) => a.from - b.from || b.to - a.to)
      .map((span) => {
        const free = ends.findIndex((end) => end < span.from);
        const lane = free < 0 ? ends.length : free;
        ends[lane] = span.to;
        return { ...span, lane };
      });
  };
  const all = inLanes(spans);
  if (all.every((span) => span.lane < MOST_LANES)) return { drawn: all, left: 0 };
  const drawn = inLanes(spans.filter((span) => span.from < cut && span.to >= cut)).filter((span) => span.lane < MOST_LANES);
  return { drawn, left: spans.length - drawn.length };
}

/** @param {string} name @param {number} room in the picture's units */
const nameText = (name, room) => {
  const letters = [...name];
  const most = Math.floor(room / LETTER);
  return letters.length > most ? `${letters.slice(0, most - 1).join("").trimEnd()}…` : name;
};

/**
 * How many rows lie above the cut line.
 * @param {any[]} rows in order of place
 * @param {number | null} seats
 * @param {number} [offset] how many lie on earlier pages
 * @returns {number} 0 when no line is to be drawn
 */
export function cutAt(rows, seats, offset = 0) {
  if (!seats || rows.length === 0) return 0;
  const seated = rows.filter((row) => row.seat === "seat").length;
  // A tie across the cut line leaves it undecided: then the line crosses the tied rows where the seats end.
  const above = rows.some((row) => row.seat === "undecided") ? seats - offset : seated;
  return above < rows.length ? Math.max(above, 0) : 0;
}

/**
 * The places the axis shows: all of them, or those that a page's rows may have.
 * @param {any[]} rows
 * @param {boolean} isPage
 * @returns {{first: number, last: number}}
 */
export function axisOf(rows, isPage) {
  if (!isPage) return { first: 1, last: Math.max(rows.length, 2) };
  const places = rows.flatMap((row) => [row.place, row.place_low, row.place_high]).filter((place) => place);
  const first = places.length ? Math.min(...places) : 1;
  return { first, last: Math.max(...places, first + 1) };
}

/** @param {number} left @param {number} drawn */
function leftText(left, drawn) {
  if (!left) return "";
  const others = `${left}${drawn ? " more" : ""} ${left === 1 ? "bracket overlaps" : "brackets overlap"} too closely to be drawn here; see the bars`;
  return drawn ? ` Drawn are brackets across the cut line; ${others}.` : ` The ${others}.`;
}

/** @param {number} cut @param {number} seats */
function cutText(cut, seats) {
  if (cut < seats) return `${cut} of ${seats} seats filled`;
  return seats === 1 ? "1 seat above" : `${seats} seats above`;
}

/**
 * @param {{rows: any[], brackets: string[][], seats: number | null, opened: boolean, offset?: number | null, total?: number}} props
 *   rows in order of place, all `total` or a page from `offset` on (null: found here and there, no cut line is drawn)
 */
export function StandingPicture({ rows, brackets, seats, opened, offset = 0, total = rows.length }) {
  const { first, last } = axisOf(rows, total > rows.length || offset === null);
  const cut = offset === null ? 0 : cutAt(rows, seats, offset);
  const tall = rows.length > MANY_ROWS ? LOW_ROW : ROW;
  const axisTo = opened ? AXIS_TO_NAMES : AXIS_TO;
  const height = TOP + rows.length * tall + 14 + (cut ? CUT : 0);
  const x = (place) => AXIS_FROM + ((place - first) / (last - first)) * (axisTo - AXIS_FROM);
  const y = (index) => TOP + index * tall + tall / 2 + (cut && index >= cut ? CUT : 0);
  const many = last - first + 1;
  const everySecond = many > 16 ? Math.ceil(many / 12) : 1;
  const placeOf = new Map(rows.map((row, index) => [row.blind_number, index]));
  const spans = brackets
    .map((numbers) => numbers.map((number) => placeOf.get(number)).filter((index) => index !== undefined))
    .filter((indices) => indices.length > 1)
    .map((indices) => ({ from: Math.min(...indices), to: Math.max(...indices) }));
  const lanes = lanesOf(spans, cut);
  const head = (at, anchor, text) => html`<text x=${at} y="22" font-size="14" fill="var(--soft)" text-anchor=${anchor}>${text}</text>`;
  const shownChance = rows.some((row) => row.chance_of_seat !== null && row.chance_of_seat !== undefined);
  return html`<div class="standing" tabindex="0" role="region" aria-label="Standing">
    <svg viewBox=${`0 0 ${WIDTH} ${height}`} role="img" aria-label=${`${rows.length} candidates by place, with the places each may have. The table below says the same.`}>
      ${head(30, "start", "place")}${head(82, "start", "number")}${head(212, "end", "merged")}
      ${Array.from({ length: Math.ceil(many / everySecond) }, (_, index) => first + index * everySecond).map((place) => head(x(place), "middle", place))}
      ${shownChance ? head(WIDTH - 10, "end", "chance of a seat") : null}
      ${cut
        ? html`<g><line x1="165" x2=${WIDTH - 10} y1=${TOP + cut * tall + CUT / 2} y2=${TOP + cut * tall + CUT / 2} stroke="var(--soft)" stroke-width="1.2" stroke-dasharray="2 6" />
            <text x="30" y=${TOP + cut * tall + CUT / 2 + 4.5} font-size="14" fill="var(--soft)">${cutText(cut + (offset ?? 0), seats ?? cut)}</text></g>`
        : null}
      ${lanes.drawn.map(
        (span) => html`<path d=${`M${BRACKETS_TO - span.lane * 12} ${y(span.from) - 12}h-10V${y(span.to) + 12}h10`} fill="none" stroke="var(--high)" stroke-width="2" />`,
      )}
      ${rows.map(
        (row, index) => html`<g>
          <text x="30" y=${y(index) + 6} font-size="19" font-weight="600" fill="var(--ink)">${row.place ?? ""}${row.tied ? "=" : ""}</text>
          <text x="82" y=${y(index) + 6} font-size="19" font-weight="600" fill="var(--ink)">${row.blind_number}</text>
          <text x="212" y=${y(index) + 6} font-size="17" text-anchor="end" fill="var(--ink)">${merged(row)}</text>
          ${row.place_low && row.place_high && row.place_high > row.place_low
            ? html`<line x1=${x(row.place_low)} x2=${x(row.place_high)} y1=${y(index)} y2=${y(index)} stroke="var(--unheard)" stroke-width="7" stroke-linecap="round" />`
            : null}
          ${row.place ? html`<circle cx=${x(row.place)} cy=${y(index)} r="7.5" fill="var(--ink)" />` : null}
          ${shownChance ? html`<text x=${WIDTH - 10} y=${y(index) + 6} font-size="17" text-anchor="end" fill="var(--ink)">${chanceText(row.chance_of_seat)}</text>` : null}
          ${opened && row.name ? html`<text x=${axisTo + 30} y=${y(index) + 6} font-size="15" fill="var(--ink)">${nameText(row.name, WIDTH - axisTo - 30 - (shownChance ? 80 : 10))}</text>` : null}
        </g>`,
      )}
    </svg>
  </div>
  <p class="soft small">Dot: place. Bar: where it may lie, nine times in ten, with another panel of this kind. Bracket: this panel can't tell them apart.${leftText(lanes.left, lanes.drawn.length)}</p>`;
}
