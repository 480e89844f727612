/** The panel's tablet: the list of numbers, the player, the adjudication sheet. It never learns a name. */

import { call } from "../../core/api.js";
import { panelKey } from "../../core/keys.js";
import * as outbox from "../../core/outbox.js";
import { Deed, Head, Waiting, Wrong, counted, html, render, useCallback, useEffect, useLoad, useState } from "../parts.js";
import { CandidateSheet } from "./sheet.js";

const POLL_MS = 10000; // our choice: takes appear while the panel sits
const LIST_AT = "fairhearing.panel-list.";

const key = panelKey(location.hash.slice(1));
const token = key?.token ?? null;
const owner = key?.adjudicator?.id ?? "";

/**
 * The panel's list, from the server or, without a network, as it was last seen.
 * @returns {Promise<any>}
 */
async function loadPanel() {
  try {
    const shown = await call("GET", "/api/panel", undefined, { token });
    localStorage.setItem(LIST_AT + owner, JSON.stringify(shown));
    return shown;
  } catch (error) {
    const kept = localStorage.getItem(LIST_AT + owner);
    if (kept && /** @type {any} */ (error).passing) return { ...JSON.parse(kept), stale: true };
    throw error;
  }
}

function useOutbox() {
  const [entries, setEntries] = useState(/** @type {import("../../core/outbox.js").Waiting[]} */ ([]));
  useEffect(() => {
    const look = async () => setEntries((await outbox.waiting()).filter((entry) => entry.owner === owner));
    void look();
    return outbox.onChange(() => void look());
  }, []);
  return entries;
}

/** @param {{entries: import("../../core/outbox.js").Waiting[], offline: boolean}} props */
function WaitingCount({ entries, offline }) {
  const count = entries.filter((entry) => !entry.refused).length;
  const sheets = count ? `${counted(count, "sheet")} ${count === 1 ? "waits" : "wait"} here, safe` : "";
  const text = offline ? `No network${sheets ? `: ${sheets}` : ""}` : sheets;
  return html`<span role="status">${text ? html`<span class="waiting">${text}</span>` : null}</span>`;
}

/** @param {any} candidate @param {any[]} entries @param {boolean} open */
function stateText(candidate, entries, open) {
  if (entries.some((entry) => entry.candidate_id === candidate.candidate_id && !entry.refused)) return "waits here";
  if (candidate.state === "recused" || candidate.state === "away") return candidate.state;
  if (open) return "open";
  return candidate.state;
}

function Panel() {
  const panel = useLoad(loadPanel, []);
  const entries = useOutbox();
  const [chosen, setChosen] = useState(() => sessionStorage.getItem(`fairhearing.open.${owner}`) ?? "");
  const refresh = useCallback(() => panel.reload(), [panel.reload]);
  useEffect(() => {
    const timer = setInterval(() => {
      if (!document.hidden) void refresh();
    }, POLL_MS);
    const back = () => void refresh();
    addEventListener("online", back);
    addEventListener("offline", back);
    return () => {
      clearInterval(timer);
      removeEventListener("online", back);
      removeEventListener("offline", back);
    };
  }, [refresh]);
  // A sheet has left the box: the list says so at once.
  const waitingCount = entries.length;
  useEffect(() => void refresh(), [waitingCount]);
  const shown = panel.data;
  if (!shown) {
    return html`<${Head} title="Panel"><${WaitingCount} entries=${entries} offline=${false} /><//>
      <main class="middle"><${Wrong}>${panel.error}<//>
        ${panel.error ? html`<p>If this goes on, ask the section leader for a new join link.</p><${Deed} onClick=${refresh}>Try again<//>` : html`<${Waiting} />`}</main>`;
  }
  const candidates = shown.candidates ?? [];
  const candidate = candidates.find((one) => one.candidate_id === chosen) ?? null;
  const choose = (id) => {
    setChosen(id);
    sessionStorage.setItem(`fairhearing.open.${owner}`, id);
    requestAnimationFrame(() => {
      const target = document.getElementById("number");
      target?.focus({ preventScroll: true });
      if (matchMedia("(max-width: 48rem)").matches) target?.scrollIntoView();
    });
  };
  const about = [shown.audition?.name, shown.round?.name, shown.adjudicator ? `adjudicator ${shown.adjudicator.letter}` : ""].filter(Boolean).join(" · ");
  const refused = entries.filter((entry) => entry.refused);
  const toHear = candidates.filter((one) => one.state === "to hear" || one.state === "draft").length;
  return html`<${Head} title="Panel" about=${about}><${WaitingCount} entries=${entries} offline=${Boolean(shown.stale)} /><//>
    ${panel.error
      ? html`<div class="notice wrong" role="alert"><p>${panel.error}</p>
          ${entries.length > refused.length ? html`<p>What waits here stays safe on this tablet and is sent once you have joined again.</p>` : null}</div>`
      : null}
    ${refused.map(
      (entry) => html`<div class="notice wrong" role="alert"><p>The sheet of ${entry.label} was not taken: ${entry.refused}</p>
        <${Deed} onClick=${() => outbox.dismiss(entry.id)}>I have read this<//></div>`,
    )}
    ${shown.waiting ? html`<p class="next" role="status">${shown.waiting}</p>` : null}
    ${candidates.length === 0
      ? html`<main class="narrow"><p class="next">${shown.waiting ? "There is nobody to hear yet." : "The draw has not been made yet, so there is nobody to hear."} This page looks again by itself.</p></main>`
      : html`<main class="panel">
          <nav class="contents" aria-label="Numbers">
            ${candidates.map(
              (one) => html`<button type="button" class=${one.state === "recused" || one.state === "away" ? "off" : ""} aria-current=${one === candidate ? "true" : undefined} onClick=${() => choose(one.candidate_id)}>
                <span class="number">${one.practice ? "Practice" : one.blind_number}</span><span class="state">${stateText(one, entries, one === candidate && one.state !== "sent")}</span>
              </button>`,
            )}
          </nav>
          ${candidate
            ? html`<${CandidateSheet} key=${candidate.candidate_id} panel=${shown} candidate=${candidate} token=${token} owner=${owner} said=${panel.error}
                waits=${entries.some((entry) => entry.candidate_id === candidate.candidate_id && !entry.refused)} onChange=${refresh} />`
            : html`<section><p class="next">${toHear ? "Choose a number to hear it and to mark it." : "Every sheet is sent. Thank you."}</p></section>`}
        </main>`}`;
}

if (key) {
  outbox.start((id) => panelKey(id)?.token ?? null);
  render(html`<${Panel} />`, /** @type {HTMLElement} */ (document.getElementById("screen")));
} else {
  render(
    html`<${Head} title="Panel" /><main class="middle"><p>This device has not joined the panel. Open the link, or scan the code, that the section leader gives you. <a href="/">To the front page</a>.</p></main>`,
    /** @type {HTMLElement} */ (document.getElementById("screen")),
  );
}
