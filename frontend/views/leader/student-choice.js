/** Choosing one student of a roster: from a list, or by a search where the roster is long. */

import { callPage } from "../../core/api.js";
import { LINES } from "../pages.js";
import { Choice, Line, Wrong, html, useLoad, useRef, useState } from "../parts.js";

/**
 * @param {{audition: any, label: string, chosen: any, onChosen: (entry: any) => void}} props `chosen`: a roster line or null
 */
export function StudentChoice({ audition, label, chosen, onChosen }) {
  const [find, setFind] = useState("");
  const found = useLoad(() => callPage(`/api/auditions/${audition.id}/roster`, { find, offset: 0, limit: LINES }), [audition.id, find]);
  const before = useRef(/** @type {{lines: any[], total: number}} */ ({ lines: [], total: 0 }));
  if (found.data) before.current = found.data;
  const { lines, total } = found.data ?? before.current; // the choice must not vanish under whoever types
  const long = total > LINES || find !== "";
  const shown = chosen && !lines.some((one) => one.entry_id === chosen.entry_id) ? [chosen, ...lines] : lines;
  const nameOf = (one) => (long && one.school ? `${one.name}, ${one.school}` : one.name);
  return html`${long ? html`<${Line} label="Find a student" type="search" value=${find} onValue=${setFind} maxlength="100" hint="By name, school or teacher." />` : null}
    <${Choice} label=${label} value=${chosen?.entry_id ?? ""} onValue=${(id) => onChosen(shown.find((one) => one.entry_id === id) ?? null)}
      options=${[{ key: "", name: "Choose a student" }, ...shown.map((one) => ({ key: one.entry_id, name: nameOf(one) }))]}
      hint=${long ? html`<span role="status">${foundText(total, find)}</span>` : undefined} />
    <${Wrong}>${found.error}<//>`;
}

/** @param {number} total @param {string} find */
function foundText(total, find) {
  if (total === 0) return "Nobody is found by that.";
  if (total > LINES) return `The first ${LINES} of ${total}: type more of the name to find others.`;
  return find ? `${total} found.` : "";
}
