/** Sight-reading in the recording room: the seal, and the notes once the study time has begun. */

import { call } from "../../core/api.js";
import { StudyTimer } from "./study-timer.js";
import { Deed, Drawing, Waiting, Wrong, html, useAct, useLoad } from "../parts.js";

/** @param {{candidate: any, piece: any, studySec?: number, token: string | null, onBegun?: (begun: any) => void}} props onBegun: with when the seal was broken */
export function SightReading({ candidate, piece, studySec = 0, token, onBegun }) {
  const act = useAct();
  const address = `/api/candidates/${candidate.candidate_id}/sight-reading/${piece.piece_id}`;
  const sheet = useLoad(() => call("GET", address, undefined, { token }), [address]);
  const begin = () =>
    act.run(async () => {
      const begun = await call("POST", `${address}/begin`, undefined, { token });
      await sheet.reload();
      onBegun?.(begun);
    });
  if (!sheet.data) return html`<${Wrong}>${sheet.error}<//>${sheet.error ? null : html`<${Waiting} />`}`;
  if (sheet.data.sealed) {
    return html`<p>The notes are sealed. They are shown here when the study time begins, and that moment is kept.</p>
      <${Wrong}>${act.error}<//>
      <div class="deeds"><${Deed} kind="deed" busy=${act.busy} onClick=${begin} label=${`Begin the study time for number ${candidate.blind_number}`}>Begin the study time<//></div>`;
  }
  return html`${studySec ? html`<${StudyTimer} seconds=${Math.round(studySec * (1 + (candidate.extra_time_percent ?? 0) / 100))} since=${sheet.data.unsealed_at} />` : null}
    <p class="soft">Study time began at ${new Date(sheet.data.unsealed_at).toLocaleTimeString()}.</p>
    <${Drawing} kind="engraving" svg=${sheet.data.svg} label=${`${piece.title}, to be read at sight`} />`;
}
