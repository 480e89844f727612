/** What is called out: for each room who is in, who is next, who warms up. Numbers only, so it may hang in the corridor. */

import { html } from "../parts.js";
import { behindText } from "../day-text.js";

/** @param {{boards: any[]}} props */
export const Boards = ({ boards }) => html`<div class="boards">
  ${boards.map(
    (board) => html`<section class="board" aria-label=${board.name}>
      <h3>${board.name}</h3>
      <dl class="facts">
        <dt>In the room</dt><dd class="number">${board.in_the_room ?? "nobody"}</dd>
        <dt>Next</dt><dd class="number">${board.on_deck ?? "nobody yet"}${board.on_deck && board.on_deck_called ? html` <span class="soft small">called</span>` : null}</dd>
        <dt>Warm-up</dt><dd>${board.warm_up.length ? board.warm_up.join(", ") : "nobody"}</dd>
      </dl>
      <p class="soft">${behindText(board.behind_minutes)}</p>
    </section>`,
  )}
</div>`;
