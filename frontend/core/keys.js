/**
 * The tokens of this tablet. A tablet may have joined as several people (the demo does), so each adjudicator's token
 * has its own place and the address of the screen says whose it is.
 */

const PROCTOR = "fairhearing.proctor";
const CHECKER = "fairhearing.checker";
const PANEL = "fairhearing.panel.";
const LAST = "fairhearing.panel-last";

/**
 * @typedef {{token: string, role: string, audition_id: string | null, adjudicator: {id: string, letter: string} | null}} Joined
 */

/**
 * Keep what the server gave at joining.
 * @param {Joined} joined
 * @returns {string} the address of the screen this role works on
 */
export function keep(joined) {
  if (joined.role === "adjudicator" && joined.adjudicator) {
    localStorage.setItem(PANEL + joined.adjudicator.id, JSON.stringify(joined));
    localStorage.setItem(LAST, joined.adjudicator.id);
    return `/panel.html#${joined.adjudicator.id}`;
  }
  if (joined.role === "proctor") {
    localStorage.setItem(PROCTOR, JSON.stringify(joined));
    return "/room.html";
  }
  if (joined.role === "checker") {
    localStorage.setItem(CHECKER, JSON.stringify(joined));
    return "/check.html";
  }
  return "/leader.html";
}

/** @returns {Joined | null} */
export function proctorKey() {
  return read(PROCTOR);
}

/** @returns {Joined | null} */
export function checkerKey() {
  return read(CHECKER);
}

/**
 * @param {string} adjudicatorId "" for whoever joined last on this tablet
 * @returns {Joined | null}
 */
export function panelKey(adjudicatorId) {
  const id = adjudicatorId || localStorage.getItem(LAST) || "";
  return id ? read(PANEL + id) : null;
}

/**
 * @param {string} place
 * @returns {Joined | null}
 */
function read(place) {
  const text = localStorage.getItem(place);
  return text ? JSON.parse(text) : null;
}
