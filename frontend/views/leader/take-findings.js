/** One take as the leader sees it: listen, what was measured, measure again. */

import { call } from "../../core/api.js";
import { Deed, Dialog, Waiting, Wrong, html, useAct, useLoad, useState } from "../parts.js";
import { FindingsView } from "../findings.js";

export const MEASURING_WORDS = { none: "not measured", queued: "waits to be measured", running: "is being measured", done: "measured", failed: "could not be measured" };

/** @param {{takeId: string, title: string, onClose: () => void}} props */
export function TakeFindings({ takeId, title, onClose }) {
  const findings = useLoad(() => call("GET", `/api/takes/${takeId}/findings`), [takeId]);
  const act = useAct();
  const [said, setSaid] = useState("");
  return html`<${Dialog} title=${title} onClose=${onClose}>
    <audio controls preload="none" src=${`/api/takes/${takeId}/playback`}></audio>
    <${Wrong}>${findings.error || act.error}<//>
    <p role="status">${said}</p>
    ${findings.data?.stale ? html`<p>The piece, the settings or the way of measuring have changed since these findings: measure again to see what holds now.</p>` : null}
    ${findings.data && !findings.data.findings && findings.data.measuring ? html`<p>${MEASURING_WORDS[findings.data.measuring.state] ?? "It has not been measured."} ${findings.data.measuring.text}</p>` : null}
    ${findings.data?.findings ? html`<${FindingsView} answer=${findings.data} />` : findings.data ? null : findings.error ? null : html`<${Waiting} />`}
    <div class="deeds">
      <${Deed} busy=${act.busy} onClick=${() =>
        act.run(async () => {
          await call("POST", `/api/takes/${takeId}/measure`);
          setSaid("This take is being measured again; the table shows how far it is.");
        })}>Measure again<//>
      <button type="button" class="deed" onClick=${onClose}>Done</button>
    </div>
  <//>`;
}
