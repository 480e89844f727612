/**
 * Drafts of sheets on this tablet. Written synchronously with every tap: a store that writes later may lose the last
 * tap before a reload.
 */

/** @typedef {import("./marks.js").SheetContent} SheetContent */
/** @typedef {{text: string, bar: string | null}} Written a remark that is being written */
/**
 * @typedef {object} Draft
 * @property {SheetContent} content
 * @property {number} at ms since the epoch
 * @property {boolean} sent the server has it
 * @property {boolean} [correcting]
 * @property {Written} [written] not yet a part of the content
 * @property {string} [reason] of a correction
 */

/**
 * @param {string} adjudicatorId
 * @param {string} candidateId
 */
const place = (adjudicatorId, candidateId) => `fairhearing.draft.${adjudicatorId}.${candidateId}`;

/**
 * @param {string} adjudicatorId
 * @param {string} candidateId
 * @returns {Draft | null}
 */
export function readDraft(adjudicatorId, candidateId) {
  const text = localStorage.getItem(place(adjudicatorId, candidateId));
  return text ? JSON.parse(text) : null;
}

/**
 * @param {string} adjudicatorId
 * @param {string} candidateId
 * @param {Draft} draft
 */
export function writeDraft(adjudicatorId, candidateId, draft) {
  localStorage.setItem(place(adjudicatorId, candidateId), JSON.stringify(draft));
}

/**
 * @param {string} adjudicatorId
 * @param {string} candidateId
 */
export function dropDraft(adjudicatorId, candidateId) {
  localStorage.removeItem(place(adjudicatorId, candidateId));
}
