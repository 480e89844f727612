/** A candidate's turn in the recording room: coming in, the script word by word, going out, beginning a piece again. */

import { call } from "../../core/api.js";
import { newId } from "../../core/ids.js";
import { Deed, Wrong, html, useAct, useState } from "../parts.js";

/** @param {{candidate: any, script: string[], policy: string, token: string | null, onChange: () => Promise<void>}} props */
export function TurnView({ candidate, script, policy, token, onChange }) {
  const act = useAct();
  const inside = candidate.entered_at && !candidate.left_at;
  const deed = (/** @type {string} */ what) =>
    act.run(async () => {
      await call("POST", `/api/candidates/${candidate.candidate_id}/turn`, { deed: what }, { token });
      await onChange();
    });
  return html`<div class="deeds">
      ${inside
        ? html`<${Deed} busy=${act.busy} onClick=${() => deed("leave")}>Number ${candidate.blind_number} has left<//>`
        : html`<${Deed} kind=${candidate.entered_at ? "" : "deed"} busy=${act.busy} onClick=${() => deed("enter")}>Number ${candidate.blind_number} comes in<//>`}
    </div>
    ${candidate.extra_time_percent ? html`<p><strong>${candidate.extra_time_percent} % more time.</strong></p>` : null}
    ${candidate.enlarged_music ? html`<p><strong>Put the enlarged music on the stand.</strong></p>` : null}
    <${Wrong}>${act.error}<//>
    ${inside ? html`<${ScriptSteps} key=${candidate.candidate_id} script=${script} />` : null}
    <p class="soft">${policy}</p>`;
}

/** @param {{script: string[]}} props */
function ScriptSteps({ script }) {
  const [at, setAt] = useState(0);
  if (!script.length) return null;
  return html`<section class="script" aria-label="Read aloud">
    <p class="soft small">Read aloud, word by word: ${at + 1} of ${script.length}</p>
    <p class="spoken" aria-live="polite">${script[at]}</p>
    <div class="deeds">
      <${Deed} onClick=${() => setAt(at - 1)} why=${at ? "" : "This is the first sentence."} showWhy=${false}>Back<//>
      <${Deed} onClick=${() => setAt(at + 1)} why=${at < script.length - 1 ? "" : "This is the last sentence."} showWhy=${false}>Next sentence<//>
    </div>
  </section>`;
}

/** @param {{candidate: any, piece: any, token: string | null, onChange: () => Promise<void>}} props */
export function Restarts({ candidate, piece, token, onChange }) {
  const act = useAct();
  const [said, setSaid] = useState("");
  const count = candidate.restarts?.[piece.piece_id] ?? 0;
  const last = candidate.last_restarts?.[piece.piece_id] ?? "";
  const add = () =>
    act.run(async () => {
      const answer = await call("POST", `/api/candidates/${candidate.candidate_id}/restarts`, { id: newId(), piece_id: piece.piece_id }, { token });
      setSaid(answer.sentence ?? "");
      await onChange();
    });
  const takeBack = () =>
    act.run(async () => {
      await call("DELETE", `/api/restarts/${last}`, undefined, { token });
      setSaid("");
      await onChange();
    });
  const begun = `The piece was begun again${count ? `: ${count} so far` : ""}`;
  return html`<div class="deeds">
      <${Deed} kind="plain" busy=${act.busy} onClick=${add} label=${`${begun} (${piece.title})`}>${begun}<//>
      ${last ? html`<${Deed} kind="plain" busy=${act.busy} onClick=${takeBack} label=${`Take the last one back (${piece.title})`}>Take the last one back<//>` : null}
    </div>
    <div role="status">${said ? html`<p><strong>${said}</strong></p>` : null}</div>
    <${Wrong}>${act.error}<//>`;
}
