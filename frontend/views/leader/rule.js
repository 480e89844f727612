/** Set-up: how marks are combined and merged, declared before the first take. */

import { call } from "../../core/api.js";
import { Ask, Choice, Deed, Line, Said, Wrong, dateText, html, typedNumber, useAct, useLoad, useState } from "../parts.js";
import { TieChain } from "./tie-chain.js";

const SCOPES = [
  { key: "everywhere", name: "for every tie" },
  { key: "cut-line", name: "only for ties across the cut line, where a seat hangs on it" },
];
const TRIM_NEEDS = 5; // adjudicators, for the mean without highest and lowest
const PLACE_RULES = ["rank-sum", "majority"];

/**
 * What weights come to, in percent.
 * @param {Record<string, any>} weights as typed
 * @param {{key: string, name: string}[]} named
 * @returns {string} "" while they are equal or can't be read
 */
function sharesText(weights, named) {
  const values = named.map((one) => Number(String(weights?.[one.key] ?? "").trim().replace(",", ".") || NaN));
  const all = values.reduce((sum, value) => sum + value, 0);
  if (!(all > 0) || values.every((value) => value === values[0])) return "";
  return named.map((one, index) => `${one.name} ${Math.round((100 * values[index]) / all)} %`).join(", ");
}

/** @param {{audition: any, defaults: any, reload: () => Promise<void>}} props */
export function RuleSetup({ audition, defaults, reload }) {
  const rubric = audition.rubric?.captions?.length ? audition.rubric : defaults.rubric;
  const pieces = useLoad(() => call("GET", `/api/auditions/${audition.id}/pieces`), [audition.id]);
  const act = useAct();
  const [rule, setRule] = useState(() => ({ ...defaults.rule, ...(audition.rule?.combine ? audition.rule : {}) }));
  const [said, setSaid] = useState("");
  const [declaring, setDeclaring] = useState(false);
  const frozen = audition.rule_frozen ? "Takes have come in, so the declared rule stays as it is." : "";
  const set = (change) => {
    setSaid("");
    setRule((before) => ({ ...before, ...change }));
  };
  const weight = (group, key) => (value) => set({ [group]: { ...rule[group], [key]: value } });
  const chain = rule.tie_chain ?? [];
  const steps = [
    ...rubric.captions.map((caption) => ({ key: `caption:${caption.key}`, name: `the merged mark for ${caption.name.toLowerCase()}` })),
    { key: "head-to-head", name: "whom more adjudicators put ahead" },
    { key: "measured", name: "the measured mark" },
    { key: "re-hearing", name: "a re-hearing" },
  ];
  const save = async () => {
    const numbers = (group) =>
      Object.fromEntries(
        Object.entries(rule[group] ?? {})
          .filter(([, value]) => String(value).trim() !== "")
          .map(([key, value]) => [key, typedNumber(value, "Every weight")]),
      );
    const minimum = String(rule.minimum_total ?? "").trim();
    const alternates = String(rule.alternates ?? "").trim();
    await call("PUT", `/api/auditions/${audition.id}/rule`, {
      ...rule,
      piece_weights: numbers("piece_weights"),
      caption_weights: numbers("caption_weights"),
      measured_weights: numbers("measured_weights"),
      tie_chain: chain.filter(Boolean),
      minimum_total: minimum === "" ? null : typedNumber(minimum, "The mark a seat needs"),
      alternates: alternates === "" ? null : typedNumber(alternates, "The number of alternates"),
    });
    await reload();
  };
  const submit = (event) => {
    event.preventDefault();
    void act.run(async () => {
      await save();
      setSaid("The rule is saved. Declare it before the first take.");
    });
  };
  const list = pieces.data ?? [];
  const judges = audition.counts?.adjudicators ?? 0;
  const ruleHint =
    rule.combine === "trimmed-mean" && judges < TRIM_NEEDS
      ? `This needs ${TRIM_NEEDS} adjudicators or more; there ${judges === 1 ? "is" : "are"} ${judges} so far.`
      : PLACE_RULES.includes(rule.combine)
        ? "It compares places, so an adjudicator's severity doesn't matter; an adjudicator needs a complete sheet to give a place."
        : rule.combine === "severity-adjusted"
          ? "Needs adjudicators who share candidates: where recusals part the panel in two, it is refused with an explanation."
          : "";
  if (frozen) {
    return html`<h2>Rule</h2>
      <p class="next">${audition.rule_sentence}</p>
      <p>Declared on ${dateText(audition.rule_declared_at)}. ${frozen}</p>
      <dl class="facts"><dt>Hash of rubric and rule</dt><dd class="hash">${audition.rule_hash}</dd></dl>`;
  }
  return html`<h2>Rule</h2>
    ${audition.rule_declared_at
      ? html`<p>Declared on ${dateText(audition.rule_declared_at)}. It can still be changed until the first take; a change must be declared again.</p>`
      : html`<p class="next">Not declared yet. Declare how marks become places before the first take; the first take freezes it.</p>`}
    ${audition.rule_sentence ? html`<p>${audition.rule_sentence}</p>` : null}
    <form onSubmit=${submit}>
      <fieldset>
        <${Choice} label="Candidates are ranked by" value=${rule.combine} onValue=${(combine) => set({ combine })} options=${defaults.rules.map((one) => ({ key: one.key, name: one.sentence.replace(/\.$/, "") }))} hint=${ruleHint} />
        ${audition.scored_per === "piece"
          ? html`<h3>Weight of each piece</h3>
              <p class="soft small">Only the proportion counts: 40, 40 and 20, say. Left empty, all weigh the same. ${sharesText(rule.piece_weights, list.map((piece) => ({ key: piece.id, name: piece.title })))}</p>
              ${list.length
                ? html`<div class="row">${list.map((piece) => html`<${Line} label=${piece.title} short inputmode="decimal" value=${rule.piece_weights?.[piece.id] ?? ""} onValue=${weight("piece_weights", piece.id)} />`)}</div>`
                : html`<p class="soft">No piece is set yet. <a href=${`#/${audition.id}/material`}>Add the material first</a>.</p>`}`
          : null}
        <h3>Weight of each caption</h3>
        <p class="soft small">Only the proportion counts. ${sharesText(rule.caption_weights, rubric.captions)}</p>
        <div class="row start">${rubric.captions.map((caption) => html`<${Line} label=${caption.name} short inputmode="decimal" value=${rule.caption_weights?.[caption.key] ?? ""} onValue=${weight("caption_weights", caption.key)} />`)}</div>
        <h3>Share of the measured mark</h3>
        <p class="soft small">From 0 (not counted) to 1 (alone). Usual: 0.2 for pitch and rhythm, 0 for tone and musicianship, which are for ears.</p>
        <div class="row start">${rubric.captions.map((caption) => html`<${Line} label=${caption.name} short inputmode="decimal" value=${rule.measured_weights?.[caption.key] ?? ""} onValue=${weight("measured_weights", caption.key)} />`)}</div>
        <h3>When two are tied</h3>
        <${TieChain} chain=${chain} steps=${steps} onChain=${(tie_chain) => set({ tie_chain })} />
        <${Choice} label="The steps are asked" value=${rule.tie_scope ?? "everywhere"} onValue=${(tie_scope) => set({ tie_scope })} options=${SCOPES}
          hint="At the cut line only: two who both get a seat, or both get none, may share a place." />
        <h3>Seats</h3>
        <${Line} label="A seat needs a merged mark of at least" inputmode="decimal" value=${rule.minimum_total ?? ""} onValue=${(minimum_total) => set({ minimum_total })} hint="Left empty, every seat is filled. A seat nobody reaches stays empty." />
        <${Line} label="Alternates" inputmode="numeric" value=${rule.alternates ?? ""} onValue=${(alternates) => set({ alternates })} hint="How many are named below the cut line, in order. Left empty: everyone who reaches the minimum." />
      </fieldset>
      <${Wrong}>${act.error}<//>
      <${Said}>${said}<//>
      <div class="deeds">
        <${Deed} type="submit" busy=${act.busy}>Save the rule<//>
        <${Deed} kind="deed" onClick=${() => setDeclaring(true)}>Declare this rule<//>
      </div>
    </form>
    ${declaring
      ? html`<${Ask}
          title="Declare this rule?"
          sentences=${["It is saved, signed with the time, and printed on the score sheet. From the first take on nobody can change it, you included."]}
          deed="Declare"
          onClose=${() => setDeclaring(false)}
          onDo=${async () => {
            await save();
            await call("POST", `/api/auditions/${audition.id}/rule/declare`);
            await reload();
            setSaid("The rule is declared.");
          }}
        />`
      : null}`;
}
