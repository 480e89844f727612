/** Sight-reading in the recording room: the seal, a sheet for the stand, and the notes once the study time has begun. */

import { call, fetchPosted } from "../../core/api.js";
import { StudyTimer } from "./study-timer.js";
import { Check, Deed, Drawing, Waiting, Wrong, html, saveAs, useAct, useEffect, useLoad, useState } from "../parts.js";

/** @param {{candidate: any, piece: any, studySec?: number, token: string | null, onSealed: (sealed: boolean) => void}} props onSealed: whether the study time is still to begin */
export function SightReading({ candidate, piece, studySec = 0, token, onSealed }) {
  const act = useAct();
  const [large, setLarge] = useState(Boolean(candidate.enlarged_music));
  const address = `/api/candidates/${candidate.candidate_id}/sight-reading/${piece.piece_id}`;
  const sheet = useLoad(() => call("GET", address, undefined, { token }), [address]);
  const sealed = sheet.data?.sealed ?? true;
  useEffect(() => onSealed(sealed), [sealed]);
  const begin = () =>
    act.run(async () => {
      await call("POST", `${address}/begin`, undefined, { token });
      await sheet.reload();
    });
  const print = () =>
    act.run(async () => {
      saveAs(await fetchPosted(`${address}/sheet.pdf?large=${large}`, { token }), `sight-reading ${candidate.blind_number}.pdf`);
      await sheet.reload();
    });
  if (!sheet.data) return html`<${Wrong}>${sheet.error}<//>${sheet.error ? null : html`<${Waiting} />`}`;
  const number = candidate.blind_number;
  const paper = html`<${Check} label="Large print" checked=${large} onValue=${setLarge} />
    <div class="deeds"><${Deed} busy=${act.busy} onClick=${print} label=${`Print the sheet for the stand, number ${number}`}>Print the sheet for the stand<//></div>`;
  if (sealed) {
    return html`<p>${sheet.data.printed
        ? "The sheet for the stand is printed. Lay it face down; turn it over when the study time begins."
        : "The notes are sealed. They are shown here when the study time begins, and that moment is kept. To read from paper, print the sheet first: that breaks the seal, and the time begins when you say so."}</p>
      <${Wrong}>${act.error}<//>
      ${paper}
      <div class="deeds"><${Deed} kind="deed" busy=${act.busy} onClick=${begin} label=${`Begin the study time for number ${number}`}>Begin the study time<//></div>`;
  }
  return html`${studySec ? html`<${StudyTimer} seconds=${Math.round(studySec * (1 + (candidate.extra_time_percent ?? 0) / 100))} since=${sheet.data.study_began_at} />` : null}
    <p class="soft">Study time began at ${new Date(sheet.data.study_began_at).toLocaleTimeString()}.</p>
    <${Drawing} kind="engraving stand" svg=${sheet.data.svg} label=${`${piece.title}, to be read at sight`} />
    <${Wrong}>${act.error}<//>
    <details><summary>On paper</summary>${paper}</details>`;
}
