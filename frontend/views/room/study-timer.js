/** Study time for sight-reading: counts down in silence, and says when it is over. */

import { html, useEffect, useState } from "../parts.js";
import { clock } from "../parts.js";

/** @param {{seconds: number, since: string}} props since: when the study time began, by the server */
export function StudyTimer({ seconds, since }) {
  const [now, setNow] = useState(() => Date.now());
  const left = Math.max(0, Math.ceil(seconds - (now - Date.parse(since)) / 1000));
  useEffect(() => {
    if (!left) return undefined;
    const timer = setInterval(() => setNow(Date.now()), 250);
    return () => clearInterval(timer);
  }, [left === 0]);
  return html`<p class="study-time figures" role="timer" aria-live="off">${clock(left)}</p>
    <p role="status">${left ? `Study time: ${seconds} seconds, in silence.` : "The study time is over. Begin."}</p>`;
}
