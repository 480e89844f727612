/** A student's own page, behind the private link: the sheet, the take with the marked part, and practice. */

import { forget, keepOnlyTakes, keptJson, keptSound, remember, secretHere } from "../../core/kept-page.js";
import { Choice, Deed, Head, Waiting, Wrong, dateText, html, render, useEffect, useLoad, useState } from "../parts.js";
import { MarkedTake } from "./marked-take.js";
import { Practice } from "./practice.js";
import { OwnSheet } from "./own-sheet.js";

const PARTS = [
  { key: "sheet", name: "Sheet" },
  { key: "take", name: "Take" },
  { key: "practice", name: "Practice" },
];

/** @param {{secret: string}} props */
function StudentPage({ secret }) {
  const loaded = useLoad(() => keptJson(secret, "/api/student"), [secret]);
  const [part, setPart] = useState("sheet");
  const [chosen, setChosen] = useState("");
  const page = loaded.data?.value;
  useEffect(() => {
    if (page) remember(secret);
  }, [page]);
  if (!page) {
    return html`<${Head} title="Your sheet" /><main class="middle"><${Wrong}>${loaded.error}<//>
      ${loaded.error ? html`<p>A private link is good for some months, and a newer one replaces it. Ask your section leader for a new one.</p><${Deed} onClick=${loaded.reload}>Try again<//>` : html`<${Waiting} />`}</main>`;
  }
  const rounds = page.rounds;
  if (rounds.length === 0) {
    return html`<${Head} title="Your sheet" about=${page.audition} /><main class="middle"><p class="next">There is nothing to show yet. Your sheet stands here once the round is opened.</p><${Deed} onClick=${loaded.reload}>Look again<//></main>`;
  }
  const round = rounds.find((one) => one.candidate_id === chosen) ?? rounds[rounds.length - 1];
  const view = { sheet: OwnSheet, take: MarkedTake, practice: Practice }[part] ?? OwnSheet;
  return html`<${Head} title="Your sheet" about=${[page.student, page.audition].filter(Boolean).join(" · ")} />
    ${loaded.data?.old ? html`<p class="device-note" role="status">There is no network. This is what this device has kept.</p>` : null}
    <nav class="ways" aria-label="Your page">
      ${PARTS.map((one) => html`<button type="button" aria-current=${one.key === part ? "page" : undefined} onClick=${() => setPart(one.key)}>${one.name}</button>`)}
    </nav>
    <main class="student" id="content">
      ${rounds.length > 1
        ? html`<${Choice} label="Round" short value=${round.candidate_id} onValue=${setChosen} options=${rounds.map((one) => ({ key: one.candidate_id, name: one.round_name }))} />`
        : null}
      <${view} key=${round.candidate_id} page=${page} round=${round} secret=${secret} />
      <footer class="soft small">
        ${page.cautions.map((sentence) => html`<p>${sentence}</p>`)}
        ${page.expires_at ? html`<p>This link works until ${dateText(page.expires_at.slice(0, 10))}. <${Kept} secret=${secret} page=${page} old=${Boolean(loaded.data?.old)} /></p>` : null}
        <p>Is this somebody else's device? Whoever opens this page next sees your sheet. <${Deed} onClick=${() => leave(secret)}>Forget it here<//></p>
      </footer>
    </main>`;
}

/**
 * On a shared device: nothing of this link stays, also not in the address or behind "back".
 * @param {string} secret
 */
async function leave(secret) {
  await forget(secret);
  location.replace(location.pathname);
}

/**
 * Fetches what the page may need later, so that all of it opens without a network, and says when that is so.
 * @param {{secret: string, page: any, old: boolean}} props
 */
function Kept({ secret, page, old }) {
  const [said, setSaid] = useState("");
  useEffect(() => {
    let gone = false;
    const fetchAll = async () => {
      if (!old) await keepOnlyTakes(secret, page.rounds.flatMap((round) => round.parts.map((part) => part.take?.take_id ?? "")).filter(Boolean));
      for (const round of page.rounds) {
        for (const part of round.parts) {
          if (gone) return;
          await keptJson(secret, `/api/student/candidates/${round.candidate_id}/pieces/${part.piece_id}`);
          if (!part.take) continue;
          await keptJson(secret, `/api/student/takes/${part.take.take_id}/peaks`);
          await keptSound(secret, `/api/student/takes/${part.take.take_id}/playback`);
        }
      }
      if (!gone) setSaid(navigator.serviceWorker?.controller ? "All of it is kept on this device and opens without a network." : "");
    };
    fetchAll().catch((error) => console.info("Not all of the page is kept.", error.message));
    return () => {
      gone = true;
    };
  }, [page]);
  return html`<span role="status">${said}</span>`;
}

const secret = secretHere();
render(
  secret
    ? html`<${StudentPage} secret=${secret} />`
    : html`<${Head} title="Your sheet" /><main class="middle"><p>This page opens from your private link. Scan the code on your slip, or ask your section leader for a new one.</p></main>`,
  /** @type {HTMLElement} */ (document.getElementById("screen")),
);
