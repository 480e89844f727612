/** Set-up: everything that is decided before the draw. */

import { counted, html } from "../parts.js";
import { Details } from "./details.js";
import { Material } from "./material.js";
import { PanelSetup } from "./panel-setup.js";
import { RosterSetup } from "./roster.js";
import { RubricSetup } from "./rubric.js";
import { RuleSetup } from "./rule.js";

const PARTS = [
  { key: "details", name: "Details", view: Details, state: () => "" },
  { key: "material", name: "Material", view: Material, state: (audition) => counted(audition.counts?.pieces, "piece") },
  { key: "roster", name: "Roster", view: RosterSetup, state: (audition) => counted(audition.counts?.entries, "student") },
  { key: "panel", name: "Panel", view: PanelSetup, state: (audition) => counted(audition.counts?.adjudicators, "adjudicator") },
  { key: "rubric", name: "Rubric", view: RubricSetup, state: () => "" },
  { key: "rule", name: "Rule", view: RuleSetup, state: (audition) => (audition.rule_declared_at ? "declared" : "not declared") },
];

/** @param {string} part */
export const isSetupPart = (part) => PARTS.some((one) => one.key === part);

/** @param {{audition: any, defaults: any, reload: () => Promise<void>, part: string, more: string}} props */
export function Setup(props) {
  const chosen = PARTS.find((one) => one.key === props.part) ?? PARTS[0];
  const { audition } = props;
  return html`<div class="beside">
    <nav class="contents" aria-label="Set-up">
      ${PARTS.map(
        (part) => html`<a href=${`#/${audition.id}/${part.key}`} aria-current=${part === chosen ? "page" : undefined}>
          <span>${part.name}</span><span class="state">${part.state(audition)}</span>
        </a>`,
      )}
    </nav>
    <main id="content">
      ${audition.next_step && chosen.key === "details" ? html`<p class="next">${audition.next_step}</p>` : null}
      <${chosen.view} key=${chosen.key} ...${props} />
    </main>
  </div>`;
}
