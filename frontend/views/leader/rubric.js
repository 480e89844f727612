/** Set-up: the four captions and the sentence of every level. */

import { call } from "../../core/api.js";
import { Deed, Field, Line, Said, Wrong, html, useAct, useState } from "../parts.js";

/** @param {import("../../core/marks.js").Level} level */
function marksText(level) {
  if (level.from === level.to) return `Mark ${level.from}`;
  return level.to === level.from + 1 ? `Marks ${level.from} and ${level.to}` : `Marks ${level.from} to ${level.to}`;
}

/** @param {{rubric: import("../../core/marks.js").Rubric, why: string}} props */
const FrozenRubric = ({ rubric, why }) => html`<h2>Rubric</h2>
  <p>Whole marks from ${rubric.low} to ${rubric.high}. ${why}</p>
  ${rubric.captions.map(
    (caption) => html`<h3>${caption.name}</h3>
      <dl class="facts">${caption.levels.map((level) => html`<dt>${marksText(level)}</dt><dd>${level.descriptor}</dd>`)}</dl>`,
  )}`;

/** @param {{audition: any, defaults: any, reload: () => Promise<void>}} props */
export function RubricSetup({ audition, defaults, reload }) {
  const stored = audition.rubric?.captions?.length ? audition.rubric : defaults.rubric;
  const act = useAct();
  const [rubric, setRubric] = useState(stored);
  const [said, setSaid] = useState("");
  const frozen = audition.rule_frozen ? "Takes have come in under this rubric, so it stays as it is." : "";
  const change = (captionIndex, make) => {
    setSaid("");
    setRubric((before) => ({ ...before, captions: before.captions.map((caption, index) => (index === captionIndex ? make(caption) : caption)) }));
  };
  const save = (event) => {
    event.preventDefault();
    void act.run(async () => {
      await call("PUT", `/api/auditions/${audition.id}/rubric`, rubric);
      await reload();
      setSaid("The rubric is saved.");
    });
  };
  if (frozen) return html`<${FrozenRubric} rubric=${stored} why=${frozen} />`;
  return html`<h2>Rubric</h2>
    <p>Whole marks from ${rubric.low} to ${rubric.high}. The sentence of the chosen level stands beside the marks while an adjudicator scores.</p>
    <form onSubmit=${save}>
      ${rubric.captions.map(
        (caption, captionIndex) => html`<fieldset>
          <legend><h3>${caption.name}</h3></legend>
          <${Line} label="Name of the caption" value=${caption.name} onValue=${(name) => change(captionIndex, (before) => ({ ...before, name }))} required maxlength="60" />
          ${caption.levels.map(
            (level, levelIndex) => html`<${Field} label=${marksText(level)}>
              <textarea class="level" rows="3" value=${level.descriptor} maxlength="600" required onInput=${(event) => {
                const descriptor = event.currentTarget.value;
                change(captionIndex, (before) => ({ ...before, levels: before.levels.map((one, index) => (index === levelIndex ? { ...one, descriptor } : one)) }));
              }}></textarea>
            <//>`,
          )}
        </fieldset>`,
      )}
      <${Wrong}>${act.error}<//>
      <${Said}>${said}<//>
      <div class="deeds">
        <${Deed} type="submit" kind="deed" busy=${act.busy} >Save the rubric<//>
        <${Deed} onClick=${() => setRubric(defaults.rubric)}>Fill in the usual sentences again<//>
      </div>
    </form>`;
}
