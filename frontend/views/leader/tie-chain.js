/** The tie chain of a rule: steps in order, each movable and removable by touch and keyboard. */

import { Choice, Deed, html, useState } from "../parts.js";

/**
 * @param {string[]} chain
 * @param {number} from
 * @param {number} by -1 earlier, 1 later
 * @returns {string[]} the chain with one step moved
 */
export function moved(chain, from, by) {
  const to = from + by;
  if (to < 0 || to >= chain.length) return chain;
  const out = [...chain];
  [out[from], out[to]] = [out[to], out[from]];
  return out;
}

/** A re-hearing happens in the hall, so nothing can be worked out after it. @param {string[]} chain */
const inOrder = (chain) => [...chain.filter((step) => step !== "re-hearing"), ...chain.filter((step) => step === "re-hearing")];

/**
 * @param {{chain: string[], steps: {key: string, name: string}[], onChain: (chain: string[]) => void}} props
 */
export function TieChain({ chain, steps, onChain }) {
  const [next, setNext] = useState("");
  const name = (/** @type {string} */ key) => steps.find((step) => step.key === key)?.name ?? key;
  const left = steps.filter((step) => !chain.includes(step.key));
  const set = (/** @type {string[]} */ steps_) => onChain(inOrder(steps_));
  const add = () => {
    set([...chain, next]);
    setNext("");
  };
  const last = (/** @type {number} */ index) => index === chain.length - 1 || chain[index + 1] === "re-hearing" || chain[index] === "re-hearing";
  return html`${chain.length
      ? html`<ol class="chain">${chain.map(
          (step, index) => html`<li key=${step}><span>${index === 0 ? "First by" : "then by"} ${name(step)}</span>
            <span class="deeds">
              <button type="button" aria-label=${`Earlier: ${name(step)}`} aria-disabled=${index === 0 || step === "re-hearing" ? "true" : undefined} onClick=${() => step !== "re-hearing" && set(moved(chain, index, -1))}>↑</button>
              <button type="button" aria-label=${`Later: ${name(step)}`} aria-disabled=${last(index) ? "true" : undefined} onClick=${() => !last(index) && set(moved(chain, index, 1))}>↓</button>
              <button type="button" class="plain" aria-label=${`Take out: ${name(step)}`} onClick=${() => set(chain.filter((one) => one !== step))}>Take out</button>
            </span></li>`,
        )}</ol>`
      : html`<p class="soft">No step: who is tied stays tied.</p>`}
    ${left.length
      ? html`<div class="row"><${Choice} label="Next step" value=${next} onValue=${setNext} options=${[{ key: "", name: "choose" }, ...left]} />
          <${Deed} onClick=${add} why=${next ? "" : "Choose a step first."} showWhy=${false}>Add this step<//></div>`
      : null}
    <p class="soft small">Each step is asked only where the one before leaves a tie. What is tied after the last step stays tied.</p>`;
}
