/** How the panel agrees, each figure with what it tells or why it is not valid here; and a report on each adjudicator. */

import { html } from "../parts.js";

/** @typedef {{name: string, value: any, span: [number, number] | null, why: string | undefined, tells: string}} Figure */

const ICC_FORMS = [
  ["1,1", "One adjudicator, another for each candidate", "How far a single mark can be trusted when nobody hears everyone."],
  ["A,1", "One adjudicator, marks alike", "How alike two adjudicators' marks are; severity counts as disagreement."],
  ["C,1", "One adjudicator, order alike", "How alike two adjudicators order the candidates; severity doesn't matter."],
  ["1,k", "The panel's mean, another panel for each candidate", "The same for the mean of as many adjudicators as there are here."],
  ["A,k", "The panel's mean, marks alike", "How close the panel's mean would come to another panel's, in marks."],
  ["C,k", "The panel's mean, order alike", "How far the order by the mean can be trusted. This is what decides places."],
];

/**
 * A reliability in a word, as the sentences of the standing say it.
 * @param {number} value
 */
export function wordFor(value) {
  if (value >= 0.9) return "very high";
  if (value >= 0.8) return "high";
  if (value >= 0.65) return "fair";
  if (value >= 0.4) return "weak";
  return value > 0 ? "hardly any" : "none";
}

/** @param {any} agreement @param {any} all with missing cells, alpha holds over all of them @returns {Figure[]} */
function figuresOf(agreement, all) {
  const why = agreement.why ?? {};
  const icc = ICC_FORMS.map(([form, name, tells]) => ({
    name: `${name}, ICC(${form})`,
    value: agreement.icc?.[form],
    span: agreement.icc_ci?.[form] ?? null,
    why: why[`icc.${form}`],
    tells,
  }));
  return [
    ...icc,
    { name: "Rankings alike, Kendall's W", value: agreement.kendall_w, span: null, why: why.kendall_w, tells: "How alike the adjudicators' rankings are: 0 by chance, 1 all the same." },
    { name: "Marks alike, Krippendorff's alpha (interval)", value: all.krippendorff_alpha_interval, span: null, why: all.why?.krippendorff_alpha_interval, tells: "Agreement over every mark there is, missing ones left aside: 0 is chance, 1 is perfect." },
    { name: "Order alike, Krippendorff's alpha (ordinal)", value: all.krippendorff_alpha_ordinal, span: null, why: all.why?.krippendorff_alpha_ordinal, tells: "The same where only higher and lower count, not by how much." },
    { name: "One thing measured together, Cronbach's alpha", value: agreement.cronbach_alpha, span: null, why: why.cronbach_alpha, tells: "How far the adjudicators listen for the same thing." },
  ];
}

/** @param {Figure} one */
function valueText(one) {
  if (typeof one.value !== "number") return notGiven(one.why);
  const span = one.span ? `, 95 %: ${one.span[0].toFixed(2)} to ${one.span[1].toFixed(2)}` : "";
  return `${one.value.toFixed(2)}, ${wordFor(one.value)}${span}`;
}

/** @param {string | undefined} why */
const notGiven = (why) => (why ? (why.startsWith("not valid here") ? why : `not valid here because ${why}`) : "not given");

/** @param {any} agreement */
function sharesText(agreement) {
  const parts = agreement.variance_components;
  if (!parts) return notGiven(agreement.why?.variance_components);
  const all = parts.candidate + parts.adjudicator + parts.residual;
  if (!(all > 0)) return "all marks are equal";
  const share = (/** @type {number} */ value) => `${Math.round((100 * value) / all)} %`;
  return `${share(parts.candidate)} between candidates, ${share(parts.adjudicator)} adjudicators' severity, ${share(parts.residual)} neither`;
}

/** @param {{shown: any}} props */
export function Agreement({ shown }) {
  const all = shown.agreement;
  if (!all?.icc) return null;
  // With recusals most coefficients hold only over the candidates whom everyone scored.
  const valid = all.complete_only ?? all;
  const figures = figuresOf(valid, all);
  const needed = valid.needed_for_80;
  const perCaption = Object.entries(shown.caption_agreement ?? {}).filter(([, one]) => one?.sentence);
  return html`<h2>How the panel agrees</h2>
    ${all.sentence ? html`<p>${all.sentence}</p>` : null}
    ${all.complete_only ? html`<p class="soft small">Figures over the ${valid.candidates} candidates whom everyone scored; Krippendorff's alpha over all ${all.candidates}.</p>` : null}
    <details><summary>Every figure, and what it tells</summary>
      <dl class="facts figures-told">${figures.map((one) => html`<dt>${one.name}</dt><dd><strong>${valueText(one)}</strong><br /><span class="soft small">${one.tells}</span></dd>`)}
        <dt>Where the differences lie</dt><dd><strong>${sharesText(valid)}</strong><br /><span class="soft small">The more of them lies between candidates, the more the marks are about playing.</span></dd>
        <dt>Adjudicators needed (Spearman-Brown)</dt><dd><strong>${typeof needed === "number" ? needed : notGiven(valid.why?.needed_for_80)}</strong><br /><span class="soft small">So many of this kind would bring the order by their mean to .80, common practice where an order decides something.</span></dd>
      </dl>
    </details>
    ${perCaption.length
      ? html`<details><summary>By caption</summary>${perCaption.map(
          ([key, one]) => html`<h3>${shown.caption_names?.[key] ?? key}</h3><p>${one.sentence}</p>
            <dl class="facts">${figuresOf(one.complete_only ?? one, one).filter((figure) => /C,1|C,k|Kendall|interval/.test(figure.name)).map((figure) => html`<dt>${figure.name}</dt><dd>${valueText(figure)}</dd>`)}</dl>`,
        )}</details>`
      : null}`;
}

/** @param {number | null} value @param {number} [places] */
const signed = (value, places = 2) => (value === null || value === undefined ? null : `${value > 0 ? "+" : value < 0 ? "−" : ""}${Math.abs(value).toFixed(places)}`);
/** @param {number | null} value */
const plain = (value) => (value === null || value === undefined ? null : value.toFixed(2));

/** @type {{key: string, name: string, tells: string, text: (one: any) => any}[]} */
const REPORT = [
  { key: "marks_given", name: "Marks given", tells: "", text: (one) => String(one.marks_given) },
  { key: "severity", name: "Severity", tells: "Marks below the panel's level; plus is stricter. No fault: the rule says how it counts.", text: (one) => signed(one.severity) },
  { key: "spread", name: "Spread", tells: "How far apart the candidates' totals lie (standard deviation). A small one decides little.", text: (one) => plain(one.spread) },
  { key: "levels_used", name: "Use of the scale", tells: "How often each mark was given, lowest to highest.", text: (one) => (one.lowest === null ? null : html`<${Levels} used=${one.levels_used} /><br />${one.lowest} to ${one.highest}`) },
  { key: "order_effect", name: "Order", tells: "Change of mark per ten candidates heard. Off zero by more than its range: warming up, or tiring.", text: (one) => (one.order_effect === null ? null : html`${signed(one.order_effect)}${one.order_effect_ci ? html`<br /><span class="soft small">${signed(one.order_effect_ci[0])} to ${signed(one.order_effect_ci[1])}</span>` : null}`) },
  { key: "halo", name: "Halo", tells: "How far one caption's marks follow another's. Near 1, the captions were hardly told apart.", text: (one) => plain(one.halo) },
  { key: "agreement_with_rest", name: "With the others", tells: "How far the order follows the rest of the panel's: 1 the same, 0 none.", text: (one) => plain(one.agreement_with_rest) },
  { key: "agreement_with_measured", name: "With the measured marks", tells: "The same beside the measured marks, where the rule declares any.", text: (one) => plain(one.agreement_with_measured) },
  { key: "consistency", name: "Own consistency", tells: "From hidden repeats: how far one mark is off by chance. They never count in the result.", text: (one) => (one.consistency === null ? null : `± ${one.consistency.toFixed(2)}`) },
];

/** @param {{used: Record<string, number>}} props */
function Levels({ used }) {
  const marks = Object.entries(used).map(([mark, count]) => ({ mark: Number(mark), count })).sort((a, b) => a.mark - b.mark);
  if (marks.length === 0) return null;
  const low = marks[0].mark;
  const high = marks[marks.length - 1].mark;
  const most = Math.max(...marks.map((one) => one.count));
  const width = Math.min(120, (high - low + 1) * 9);
  const step = width / (high - low + 1);
  const spoken = marks.map((one) => `${one.mark}: ${one.count}`).join(", ");
  return html`<svg width=${width} height="30" viewBox=${`0 0 ${width} 30`} role="img" aria-label=${`Marks and how often: ${spoken}`}>
    <line x1="0" x2=${width} y1="29.5" y2="29.5" stroke="var(--line)" />
    ${marks.map((one) => html`<rect x=${(one.mark - low) * step + 1} y=${29 - (one.count / most) * 28} width=${Math.max(1, step - 2)} height=${(one.count / most) * 28} fill="var(--soft)" />`)}
  </svg>`;
}

/** @param {{reports: any[]}} props */
export function Reports({ reports }) {
  const given = reports.filter((one) => one.marks_given);
  if (given.length === 0) return null;
  /** @type {Map<string, string[]>} */
  const reasons = new Map();
  for (const row of REPORT) {
    for (const one of given) {
      const why = one.why?.[row.key];
      if (!why) continue;
      const text = `${row.name}: ${why}`;
      reasons.set(text, [...(reasons.get(text) ?? []), one.letter]);
    }
  }
  const none = reports.filter((one) => !one.marks_given).map((one) => one.letter);
  return html`<h2>Adjudicators</h2>
    <p class="soft small">Information for the panel to talk over, never a verdict on anybody.</p>
    <ul class="plain lined">${given.map((one) => html`<li>${(one.sentences ?? []).join(" ") || `Nothing stands out with adjudicator ${one.letter}.`}</li>`)}</ul>
    ${none.length ? html`<p class="soft">No sheet is in yet from ${none.join(", ")}.</p>` : null}
    <details><summary>Every figure by adjudicator</summary>
      <div class="table" tabindex="0" role="region" aria-label="Adjudicators' reports"><table>
        <thead><tr><th>Figure</th>${given.map((one) => html`<th>${one.letter}</th>`)}</tr></thead>
        <tbody>${REPORT.map(
          (row) => html`<tr class=${row.tells ? "explained" : ""}><th scope="row">${row.name}</th>${given.map((one) => html`<td>${row.text(one) ?? "—"}</td>`)}</tr>
            ${row.tells ? html`<tr><td class="soft small told" colspan=${given.length + 1}>${row.tells}</td></tr>` : null}`,
        )}</tbody>
      </table></div>
      ${reasons.size ? html`<ul class="plain small soft">${[...reasons].map(([text, letters]) => html`<li>${letters.length === given.length ? "" : `${letters.join(", ")}: `}${text}.</li>`)}</ul>` : null}
    </details>`;
}
