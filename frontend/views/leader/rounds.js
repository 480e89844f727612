/** Which round of an audition the leader looks at. */

import { call } from "../../core/api.js";
import { Choice, html, useLoad, useState } from "../parts.js";

export const STATE_WORDS = { setup: "not drawn", committed: "seed committed", drawn: "drawn, sealed", opened: "opened" };

/**
 * The rounds of an audition and the one that is looked at: the latest unless another is chosen.
 * @param {string} auditionId
 * @param {string} [wanted] round id from the address
 */
export function useRounds(auditionId, wanted = "") {
  const rounds = useLoad(() => call("GET", `/api/auditions/${auditionId}/rounds`), [auditionId]);
  const [chosen, setChosen] = useState(wanted);
  const list = rounds.data ?? [];
  const round = list.find((one) => one.id === chosen) ?? list[list.length - 1] ?? null;
  return { rounds, list, round, choose: setChosen };
}

/** @param {{list: any[], round: any, choose: (id: string) => void}} props */
export const RoundChoice = ({ list, round, choose }) =>
  list.length > 1
    ? html`<${Choice} label="Round" short value=${round.id} onValue=${choose} options=${list.map((one) => ({ key: one.id, name: `${one.name}, ${STATE_WORDS[one.state] ?? one.state}` }))} />`
    : null;
