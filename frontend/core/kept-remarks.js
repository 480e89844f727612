/** Remarks an adjudicator keeps to use again. They are one person's shorthand, so they stay on this tablet. */

const MOST = 60; // our choice: more than that nobody finds again by looking

/** @param {string} adjudicatorId */
const place = (adjudicatorId) => `fairhearing.kept-remarks.${adjudicatorId}`;

/**
 * @param {string} adjudicatorId
 * @returns {string[]} oldest first
 */
export function keptRemarks(adjudicatorId) {
  const text = localStorage.getItem(place(adjudicatorId));
  return text ? JSON.parse(text) : [];
}

/**
 * @param {string} adjudicatorId
 * @param {string} remark
 * @returns {string[]} all that are kept now; the oldest makes room where there are too many
 */
export function keepRemark(adjudicatorId, remark) {
  const now = [...keptRemarks(adjudicatorId).filter((one) => one !== remark), remark].slice(-MOST);
  localStorage.setItem(place(adjudicatorId), JSON.stringify(now));
  return now;
}

/**
 * @param {string} adjudicatorId
 * @param {string} remark
 * @returns {string[]} what is kept now
 */
export function forgetRemark(adjudicatorId, remark) {
  const now = keptRemarks(adjudicatorId).filter((one) => one !== remark);
  localStorage.setItem(place(adjudicatorId), JSON.stringify(now));
  return now;
}
