/** Consent in the recording room: the section leader notes it here, anybody else is told whom to ask. */

import { call } from "../../core/api.js";
import { Deed, Line, Wrong, html, useAct, useState } from "../parts.js";

/** @param {{candidate: any, token: string | null, onChange: () => Promise<void>}} props token: null for the section leader */
export function Consent({ candidate, token, onChange }) {
  const act = useAct();
  const [on, setOn] = useState("");
  const [by, setBy] = useState("");
  const submit = (/** @type {Event} */ event) => {
    event.preventDefault();
    void act.run(async () => {
      await call("POST", `/api/candidates/${candidate.candidate_id}/consent`, { given_on: on, given_by: by.trim() });
      await onChange();
    });
  };
  return html`<div class="notice wrong">
    <p>No consent to record is noted for this student. Recordings of minors need consent first: ${token === null ? "note who gave it and when." : "ask the section leader to note it."}</p>
    ${token === null
      ? html`<form onSubmit=${submit}>
          <div class="row start">
            <${Line} label="Consent given on" type="date" value=${on} onValue=${setOn} required short />
            <${Line} label="by" value=${by} onValue=${setBy} required maxlength="160" />
          </div>
          <${Wrong}>${act.error}<//>
          <${Deed} type="submit" busy=${act.busy}>Note the consent<//>
        </form>`
      : null}
  </div>`;
}
