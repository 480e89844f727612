/** Findings of one take: sentences and figures first, then a lane for pitch, one for time, one for level. */

import { Drawing, html } from "./parts.js";
import { pitchText } from "./pitch-text.js";

const STEP = 15; // px from note to note, our choice
const LEFT = 46;
const WORTH_CENTS = 12; // printed where it is more, our choice
const WORTH_MS = 40; // our choice

/** @param {number | null | undefined} value @param {number} [places] */
const signed = (value, places = 0) =>
  value === null || value === undefined ? "" : `${value > 0 ? "+" : value < 0 ? "−" : ""}${Math.abs(value).toFixed(places)}`;

/** @param {number | null | undefined} value @param {string} unit @param {number} [places] */
const figure = (value, unit, places = 0) => (value === null || value === undefined ? "" : `${value.toFixed(places)} ${unit}`);

/**
 * The figures that lead, each with the reason when there is none.
 * @param {any} findings
 * @returns {{name: string, text: string}[]}
 */
function leading(findings) {
  const { pitch = {}, rhythm = {}, musicianship = {}, tone = {} } = findings;
  const or = (text, why) => text || (why ? `not given: ${why}` : "not given");
  const all = [
    { name: "Pitch, typical distance", text: or(figure(pitch.median_abs_cents, "cents", 1), pitch.why_null) },
    { name: "Tuning of the take", text: or(findings.a4_hz_fitted ? `A4 at ${findings.a4_hz_fitted.toFixed(1)} Hz` : "", pitch.why_null) },
    { name: "Time, typical distance", text: or(figure(rhythm.median_abs_ms, "ms"), rhythm.why_null) },
    {
      name: "Tempo",
      text: or(
        findings.tempo_bpm_fitted
          ? `${findings.tempo_bpm_fitted.toFixed(0)} to the beat${findings.tempo_bpm_marked ? `, marked ${findings.tempo_bpm_marked.toFixed(0)}` : ""}`
          : "",
        rhythm.why_null,
      ),
    },
    {
      name: "Phrase arcs",
      text: or(musicianship.evenness_median === null || musicianship.evenness_median === undefined ? "" : `${Math.round(musicianship.evenness_median * 100)} % of the loudness follows the arc`, musicianship.why_null),
    },
    { name: "Tone, harmonics to noise", text: or(figure(tone.hnr_db, "dB", 1), tone.why_null) },
  ];
  return unpitched(findings) ? all.slice(2, 5) : all;
}

/** @param {any} findings @returns {boolean} whether all of it is unpitched percussion */
function unpitched({ notes }) {
  const heard = notes.filter((note) => note.status !== "omitted");
  return heard.length > 0 && heard.every((note) => note.why_no_cents === "unpitched");
}

/**
 * The same without notation: what the sound alone shows.
 * @param {any} findings
 * @returns {{name: string, text: string}[]}
 */
function heardAlone({ pitch, musicianship, tone, a4_hz_fitted, notes }) {
  const nearest = pitch.nearest_semitone?.median_abs_cents ?? null;
  const drift = pitch.drift_cents_per_min;
  const even = musicianship.evenness_between_breaths ?? null;
  const none = (why) => `not given: ${why ?? "too little to tell"}`;
  return [
    { name: "Notes heard", text: String(notes.length) },
    { name: "Tuning of the take", text: a4_hz_fitted ? `A4 at ${a4_hz_fitted.toFixed(1)} Hz` : none("too few steady notes") },
    { name: "Pitch, typical distance from the nearest semitone", text: nearest === null ? none("too few steady notes") : figure(nearest, "cents", 1) },
    { name: "Drift", text: drift ? `${signed(drift.value, 1)} cents a minute (${signed(drift.low, 1)} to ${signed(drift.high, 1)})` : none(pitch.why_no_drift) },
    { name: "Vibrato", text: pitch.vibrato ? `${pitch.vibrato.rate_hz.toFixed(1)} waves a second, ${pitch.vibrato.extent_cents.toFixed(0)} cents wide, on ${pitch.vibrato.notes} of the notes` : "none heard" },
    { name: "Arcs between breaths", text: even === null ? none("no breath has enough notes with a level of their own") : `${Math.round(even * 100)} % of the loudness follows the arc` },
    { name: "Tone, harmonics to noise", text: figure(tone.hnr_db, "dB", 1) || none(tone.why_null) },
  ];
}

/** @param {any} findings @returns {string[]} */
function happenings(findings) {
  const notes = findings.notes ?? [];
  const drums = unpitched(findings);
  const noun = drums ? "stroke" : "note";
  const wrong = notes.filter((note) => note.status === "wrong").length;
  const omitted = notes.filter((note) => note.status === "omitted").length;
  const extra = (findings.extra_notes ?? []).length;
  const some = (count, kind) => (count ? `${count} ${kind} ${noun}${count === 1 ? "" : "s"}` : "");
  const counts = [some(wrong, "wrong"), some(omitted, "omitted"), some(extra, "extra")].filter(Boolean);
  const breaks = (findings.breaks ?? []).map((one) =>
    one.kind === "hesitation" ? `A hesitation in bar ${one.from_bar}.` : one.kind === "restart" ? `A restart: from bar ${one.from_bar} back to bar ${one.to_bar}.` : `A skip: from bar ${one.from_bar} on to bar ${one.to_bar}.`,
  );
  const played = notes.length - omitted;
  return [
    `${played} of ${notes.length} ${noun}s were played${counts.length ? `; ${counts.join(", ")}` : ""}.`,
    ...breaks,
    ...(drums ? ["Neither pitch nor tone: unpitched percussion is judged by its rhythm and its loudness alone."] : []),
  ];
}

/** @param {{notes: any[], drums: boolean}} props drums: unpitched percussion, whose only lanes are time and level */
function Lanes({ notes, drums }) {
  const width = LEFT + notes.length * STEP + 20;
  const x = (index) => LEFT + index * STEP + STEP / 2;
  const pitchY = 52;
  const timeY = drums ? 48 : 112;
  const levels = notes.map((note) => note.level_db).filter((level) => level !== null && level !== undefined);
  const loudest = levels.length ? Math.max(...levels) : 0;
  const span = Math.max(6, levels.length ? loudest - Math.min(...levels) : 6);
  const levelTop = timeY + 38;
  const height = levelTop + 50;
  const levelY = (level) => levelTop + ((loudest - level) / span) * 34;
  const line = notes
    .map((note, index) => (note.level_db === null || note.level_db === undefined ? "" : `${x(index)},${levelY(note.level_db).toFixed(1)}`))
    .filter(Boolean)
    .join(" ");
  const hue = (value, worth) => (Math.abs(value) < worth ? "var(--soft)" : value < 0 ? "var(--low)" : "var(--high)");
  const label = (y, text) => html`<text x="0" y=${y + 4} font-size="11" font-style="italic" fill="var(--soft)">${text}</text>`;
  const lanes = drums ? "time and level" : "pitch, time and level";
  return html`<div class="lanes" tabindex="0" role="region" aria-label=${`Lanes of ${lanes}`}>
    <svg width=${width} height=${height} viewBox=${`0 0 ${width} ${height}`} role="img" aria-label=${drums ? "Every stroke's distance in time, and its level" : "Every note's distance in pitch and time, and its level"}>
      ${notes.map((note, index) =>
        index === 0 || note.bar !== notes[index - 1].bar
          ? html`<g><line x1=${x(index) - STEP / 2} x2=${x(index) - STEP / 2} y1="18" y2=${height - 12} stroke="var(--line)" /><text x=${x(index) - STEP / 2 + 2} y="12" font-size="10" fill="var(--soft)">${note.bar}</text></g>`
          : null,
      )}
      ${drums ? null : label(pitchY, "pitch")}${label(timeY, "time")}${label(levelTop + 16, "level")}
      ${drums ? null : html`<line x1=${LEFT} x2=${width} y1=${pitchY} y2=${pitchY} stroke="var(--edge)" stroke-width="0.7" />`}
      <line x1=${LEFT} x2=${width} y1=${timeY} y2=${timeY} stroke="var(--edge)" stroke-width="0.7" />
      ${notes.map((note, index) => {
        const cents = note.deviation_cents;
        const late = note.timing_ms;
        const tall = cents === null || cents === undefined ? 0 : Math.max(-26, Math.min(26, cents * 0.65));
        const wide = late === null || late === undefined ? 0 : Math.max(-14, Math.min(14, late * 0.1));
        return html`<g>
          ${note.status === "omitted" ? html`<text x=${x(index)} y=${(drums ? timeY - 10 : pitchY) + 4} font-size="11" text-anchor="middle" fill="var(--soft)">×</text>` : null}
          ${tall ? html`<rect x=${x(index) - 1.5} width="3" y=${Math.min(pitchY, pitchY - tall)} height=${Math.abs(tall)} fill=${hue(cents, WORTH_CENTS)} />` : null}
          ${Math.abs(cents ?? 0) >= WORTH_CENTS ? html`<text x=${x(index)} y=${cents > 0 ? pitchY - tall - 3 : pitchY - tall + 10} font-size="9" text-anchor="middle" fill=${hue(cents, WORTH_CENTS)}>${signed(cents)}</text>` : null}
          <line x1=${x(index)} x2=${x(index)} y1=${timeY - 4} y2=${timeY + 4} stroke="var(--edge)" stroke-width="0.7" />
          ${wide ? html`<rect x=${Math.min(x(index), x(index) + wide)} width=${Math.abs(wide)} y=${timeY - 2} height="4" fill=${hue(late, WORTH_MS)} />` : null}
          ${Math.abs(late ?? 0) >= WORTH_MS ? html`<text x=${x(index)} y=${timeY + 15} font-size="9" text-anchor="middle" fill=${hue(late, WORTH_MS)}>${signed(late)}</text>` : null}
        </g>`;
      })}
      <polyline points=${line} fill="none" stroke="var(--ink)" stroke-width="1.5" />
    </svg>
  </div>
  <p class="soft small">${drums ? "" : `Pitch: above the line sharp, below flat; cents where it is ${WORTH_CENTS} or more. `}Time: left early, right late; ms where it is ${WORTH_MS} or more. Level: loudness of each ${drums ? "stroke" : "note"}. × an omitted ${drums ? "stroke" : "note"}.</p>`;
}

/** @param {{answer: any}} props the server's answer: the findings, or an object that holds them */
export function FindingsView({ answer }) {
  const findings = answer.findings ?? answer;
  const warnings = findings.warnings ?? [];
  if (!findings.notes || findings.usable === false) {
    return html`<p>There are no findings for this take.</p>${warnings.map((warning) => html`<p>${warning}</p>`)}`;
  }
  const off = (findings.pitch?.tendencies ?? []).filter((one) => Math.abs(one.median_cents) >= WORTH_CENTS && one.count >= 2);
  const held = (findings.rhythm?.held_notes ?? []).filter((one) => one.ratio !== null && one.ratio < 0.93);
  const notated = findings.notated !== false;
  return html`
    ${(notated ? happenings(findings) : ["Neither notes nor rhythm could be judged, and there is no measured mark."]).map((sentence) => html`<p>${sentence}</p>`)}
    ${warnings.map((warning) => html`<p class="soft">${warning}</p>`)}
    <dl class="facts">${(notated ? leading(findings) : heardAlone(findings)).map((one) => html`<dt>${one.name}</dt><dd>${one.text}</dd>`)}</dl>
    ${off.length ? html`<p>${off.slice(0, 4).map((one) => `${pitchText(one.written_pitch)} lies ${signed(one.median_cents)} cents over ${one.count} times`).join("; ")}.</p>` : null}
    ${held.length ? html`<p>${held.slice(0, 4).map((one) => `Bar ${one.bar}: ${pitchText(one.written_pitch)} is held ${one.heard_beats.toFixed(1)} of ${one.notated_beats} beats`).join("; ")}.</p>` : null}
    ${notated ? html`<${Lanes} notes=${findings.notes} drums=${unpitched(findings)} />` : answer.picture ? html`<${Drawing} kind="engraving" svg=${answer.picture} label="Notes heard, their distance from the nearest semitone, and their loudness over time" /><p class="soft small">Pitch: above the line sharp, below flat, in cents from the nearest semitone at the take's own tuning. Level: loudness of each note, with its arc from breath to breath (dashed); ▼ the loudest note.</p>` : null}`;
}
