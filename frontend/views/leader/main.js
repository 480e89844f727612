/** The section leader's screen: the list of auditions, and one audition from set-up to sheets. */

import { call } from "../../core/api.js";
import { Head, Waiting, Wrong, Deed, dateText, html, render, useEffect, useLoad, useState } from "../parts.js";
import { Afterwards } from "./afterwards.js";
import { AuditList } from "./audit.js";
import { AuditionList } from "./auditions.js";
import { Day } from "./day.js";
import { Draw } from "./draw.js";
import { Paper } from "./paper.js";
import { Progress } from "./progress.js";
import { Section } from "./section.js";
import { Setup, isSetupPart } from "./setup.js";
import { Sheets } from "./sheets.js";
import { Standing } from "./standing.js";

const WAYS = [
  { key: "details", name: "Set-up" },
  { key: "draw", name: "Draw" },
  { key: "day", name: "Day" },
  { key: "room", name: "Recording room" },
  { key: "paper", name: "Paper sheets" },
  { key: "standing", name: "Standing" },
  { key: "sheets", name: "Sheets" },
  { key: "section", name: "Section report" },
  { key: "afterwards", name: "After the day" },
  { key: "audit", name: "Audit list" },
];

/** @returns {{auditionId: string, part: string, more: string}} what the address says after the # */
function readAddress() {
  const [auditionId = "", part = "", more = ""] = location.hash.replace(/^#\/?/, "").split("/");
  return { auditionId, part: part || "details", more };
}

function useAddress() {
  const [address, setAddress] = useState(readAddress);
  useEffect(() => {
    const follow = () => {
      setAddress(readAddress());
      scrollTo(0, 0);
    };
    addEventListener("hashchange", follow);
    return () => removeEventListener("hashchange", follow);
  }, []);
  return address;
}

async function signOut() {
  await call("POST", "/api/sign-out");
  location.assign("/");
}

/** @param {{auditionId: string, part: string, more: string}} props */
function OneAudition({ auditionId, part, more }) {
  const audition = useLoad(() => call("GET", `/api/auditions/${auditionId}`), [auditionId]);
  const defaults = useLoad(() => call("GET", "/api/defaults"), []);
  const way = isSetupPart(part) ? "details" : part;
  const title = WAYS.find((one) => one.key === way)?.name ?? "Set-up";
  const shown = audition.data;
  const ready = shown && defaults.data;
  const props = { audition: shown, defaults: defaults.data, reload: audition.reload, part, more };
  return html`<a class="skip" href="#content" onClick=${skipToContent}>Skip to the content</a>
    <${Head} title=${title} about=${shown ? [shown.name, dateText(shown.held_on)].filter(Boolean).join(" · ") : ""}>
      <a href="#/">All auditions</a>
      <${Deed} kind="plain" onClick=${signOut}>Sign out<//>
    <//>
    <nav class="ways" aria-label="This audition">
      ${WAYS.map(
        (one) => html`<a href=${`#/${auditionId}/${one.key}`} aria-current=${one.key === way ? "page" : undefined}>${one.name}</a>`,
      )}
    </nav>
    ${ready ? sectionFor(way, props) : html`<main id="content"><${Wrong}>${audition.error || defaults.error}<//>
      ${audition.error || defaults.error ? html`<p><a href="#/">Go to your auditions</a>, or <a href="/">sign in again</a>.</p>` : html`<${Waiting} />`}</main>`}`;
}

/** The address after the # is ours, so the skip link moves focus itself. */
function skipToContent(event) {
  event.preventDefault();
  const content = document.getElementById("content");
  content?.setAttribute("tabindex", "-1");
  content?.focus();
}

/**
 * @param {string} way
 * @param {any} props
 */
function sectionFor(way, props) {
  if (way === "draw") return html`<${Draw} ...${props} />`;
  if (way === "day") return html`<${Day} ...${props} />`;
  if (way === "paper") return html`<${Paper} ...${props} />`;
  if (way === "room") return html`<${Progress} ...${props} />`;
  if (way === "standing") return html`<${Standing} ...${props} />`;
  if (way === "sheets") return html`<${Sheets} ...${props} />`;
  if (way === "section") return html`<${Section} ...${props} />`;
  if (way === "afterwards") return html`<${Afterwards} ...${props} />`;
  if (way === "audit") return html`<${AuditList} ...${props} />`;
  return html`<${Setup} ...${props} />`;
}

function Leader() {
  const address = useAddress();
  const session = useLoad(() => call("GET", "/api/session"), []);
  if (session.data && session.data.role !== "leader") {
    return html`<${Head} title="Auditions" />
      <main class="middle"><p>This is the section leader's screen. <a href="/">Sign in first</a>.</p></main>`;
  }
  if (!session.data) {
    return html`<${Head} title="Auditions" />
      <main class="middle"><${Wrong}>${session.error}<//>${session.error ? html`<${Deed} onClick=${session.reload}>Try again<//>` : html`<${Waiting} />`}</main>`;
  }
  return address.auditionId ? html`<${OneAudition} key=${address.auditionId} ...${address} />` : html`<${AuditionList} signOut=${signOut} />`;
}

render(html`<${Leader} />`, /** @type {HTMLElement} */ (document.getElementById("screen")));
