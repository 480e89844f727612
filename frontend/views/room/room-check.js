/** Is the room quiet enough? Two short listenings, one sentence. The last answer stays for the day's other candidates. */

import { roomVerdict } from "../../core/room-noise.js";
import { Deed, html, useEffect, useState } from "../parts.js";

const QUIET_SEC = 3; // our choice
const PLAYING_SEC = 5; // our choice
const SETTLE_SEC = 0.5; // the hand has left the button by then

/** @type {{sentence: string, at: string} | null} */
let last = null;

/** @param {{overhear: {current: ((rmsDb: number) => void) | null}}} props gets the level of about 20 blocks a second */
export function RoomCheck({ overhear }) {
  const [step, setStep] = useState("idle"); // idle | quiet | playing
  useEffect(
    () => () => {
      overhear.current = null;
    },
    [],
  );
  /** @param {number} sec @returns {Promise<number[]>} */
  const listen = async (sec) => {
    await new Promise((done) => setTimeout(done, SETTLE_SEC * 1000));
    /** @type {number[]} */
    const levels = [];
    overhear.current = (db) => levels.push(db);
    await new Promise((done) => setTimeout(done, sec * 1000));
    overhear.current = null;
    return levels;
  };
  const check = async () => {
    setStep("quiet");
    const quiet = await listen(QUIET_SEC);
    setStep("playing");
    const playing = await listen(PLAYING_SEC);
    last = quiet.length && playing.length
      ? { sentence: roomVerdict({ quiet, playing }).sentence, at: new Date().toLocaleTimeString(undefined, { hour: "2-digit", minute: "2-digit" }) }
      : { sentence: "Nothing came from the microphone. Choose another one and try again.", at: "" };
    setStep("idle");
  };
  return html`<div class="check-room">
    <p role="status">${step === "quiet"
      ? html`<strong>Be quiet for a moment:</strong> listening to the room …`
      : step === "playing"
        ? html`<strong>Now play</strong> a few notes as loud as the piece will be …`
        : last ? html`${last.sentence} ${last.at ? html`<span class="soft">Checked at ${last.at}.</span>` : null}` : html`<span class="soft">The room has not been checked yet.</span>`}</p>
    ${step === "idle" ? html`<${Deed} onClick=${check}>${last ? "Check the room again" : "Check the room"}<//>` : null}
  </div>`;
}
