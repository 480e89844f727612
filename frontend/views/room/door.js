/** The door: who has come, who is called next, and the day as it really goes. With names, for the proctor only. */

import { call, fetchBlob } from "../../core/api.js";
import { proctorKey } from "../../core/keys.js";
import { Ask, Choice, Deed, Dialog, Head, Line, Waiting, Wrong, html, render, saveAs, useAct, useEffect, useLoad, useRef, useState } from "../parts.js";
import { LINES, Pages, Search, usePages } from "../pages.js";
import { instrumentText } from "../instrument-text.js";
import { STAGE_WORDS, STATE_WORDS, clockText } from "../day-text.js";
import { Boards } from "./boards.js";

const POLL_MS = 10_000; // our choice: the rooms move the day on
const auditionId = new URLSearchParams(location.search).get("audition_id") ?? "";
const token = auditionId ? null : (proctorKey()?.token ?? null);
const PRINTED = [
  { key: "door-list", name: "Door list (names)" },
  { key: "slips", name: "Number slips" },
  { key: "schedule", name: "Schedule" },
  { key: "script", name: "Script" },
];
const MISSING = [
  { key: "absent", name: "Absent", sentence: "Somebody has said that the candidate can't come. No marks, no zero." },
  { key: "no-show", name: "No-show", sentence: "The candidate has not come and nobody knows why. No marks, no zero." },
  { key: "withdrawn", name: "Withdrawn", sentence: "The candidate does not want to play any more. No marks, no zero." },
];

function Door() {
  const [roundId, setRoundId] = useState("");
  const [callBoard, setCallBoard] = useState(false);
  const [asking, setAsking] = useState(/** @type {any} */ (null));
  const act = useAct();
  const pages = usePages();
  const [turned, setTurned] = useState(false); // until then the page begins with the first who has not played
  const query = new URLSearchParams({ find: pages.find, limit: String(LINES) });
  if (turned) query.set("offset", String(pages.offset));
  if (auditionId) query.set("audition_id", auditionId);
  if (roundId) query.set("round_id", roundId);
  const door = useLoad(() => call("GET", `/api/door?${query}`, undefined, { token }), [roundId, pages.find, pages.offset, turned]);
  useEffect(() => {
    const timer = setInterval(() => document.hidden || void door.reload(), POLL_MS);
    return () => clearInterval(timer);
  }, [door.reload]);
  const before = useRef(/** @type {any} */ (null));
  if (door.data) before.current = door.data;
  const shown = door.data ?? before.current; // the search field must not vanish under whoever types in it
  const send = async (/** @type {string} */ path, /** @type {any} */ body = {}, method = "POST") => {
    await call(method, path, body, { token });
    await door.reload();
  };
  if (!shown) {
    return html`<${Head} title="Door" /><main class="middle"><${Wrong}>${door.error}<//>
      ${door.error && !token && !auditionId ? html`<p>This device has not joined the audition. Open the link that the section leader gives you. <a href="/">To the front page</a>.</p>` : null}
      ${door.error ? html`<${Deed} onClick=${door.reload}>Try again<//>` : html`<${Waiting} />`}</main>`;
  }
  const drawn = shown.rounds.filter((one) => one.state === "drawn" || one.state === "opened");
  const starts = shown.plan?.starts_at;
  return html`<${Head} title="Door" about=${[shown.audition.name, shown.round?.name].filter(Boolean).join(" · ")}>
      <a href=${auditionId ? `/room.html?audition_id=${auditionId}` : "/room.html"}>Recording room</a>
      ${auditionId ? html`<a href=${`/leader.html#/${auditionId}/day`}>Back to the audition</a>` : null}
    <//>
    <main class="wide" id="content">
      <${Wrong}>${door.error || act.error}<//>
      ${drawn.length > 1 ? html`<${Choice} label="Round" short value=${shown.round?.id} onValue=${setRoundId} options=${drawn.map((one) => ({ key: one.id, name: one.name }))} />` : null}
      <p class="next" role="status">${shown.sentence}</p>
      ${shown.total || pages.find
        ? html`<${Boards} boards=${shown.boards} />
            <div class="deeds">
              <${Deed} onClick=${() => setCallBoard(true)}>Show the call board<//>
              <${Deed} kind="plain" onClick=${() => setAsking({ kind: "close" })} why=${shown.counts.overdue ? "" : "Nobody is overdue."} showWhy=${false}>Close check-in<//>
              <${Deed} kind="plain" onClick=${() => setAsking({ kind: "pause" })}>A break now<//>
            </div>
            <p class="soft">${shown.late_rule}</p>
            ${shown.total > LINES || pages.find ? html`<${Search} label="Find a name or number" pages=${{ ...pages, setFind: (/** @type {string} */ text) => { setTurned(false); pages.setFind(text); } }} />` : null}
            <div class="table"><table class="cards">
              <thead><tr><th>Plays at</th><th>Number</th><th>Name</th><th>Room</th><th>State</th><th><span class="unseen">What to do</span></th></tr></thead>
              <tbody>${shown.turns.map((line) => html`<${Row} key=${line.turn.candidate_id} line=${line} starts=${starts} rooms=${shown.rooms} opened=${shown.round?.state === "opened"} send=${send} onAsk=${setAsking} />`)}</tbody>
            </table></div>
            <${Pages} total=${shown.total} offset=${shown.offset} limit=${LINES} onOffset=${(/** @type {number} */ offset) => { setTurned(true); pages.setOffset(offset); }} what="number" />`
        : null}
      ${shown.round && shown.plan && shown.total ? html`<${Printed} roundId=${shown.round.id} />` : null}
    </main>
    ${callBoard ? html`<${CallBoard} boards=${shown.boards} onClose=${() => setCallBoard(false)} />` : null}
    ${asking ? html`<${Asking} asking=${asking} shown=${shown} send=${send} onClose=${() => setAsking(null)} />` : null}`;
}

/** @param {{line: any, starts: string, rooms: any[], opened: boolean, send: (path: string, body?: any, method?: string) => Promise<void>, onAsk: (asking: any) => void}} props */
function Row({ line, starts, rooms, opened, send, onAsk }) {
  const act = useAct();
  const { turn } = line;
  const base = `/api/candidates/${turn.candidate_id}`;
  const out = turn.stage === "out";
  const here = turn.checked_in_at && !out;
  const waiting = ["on deck", "warm up", "waits"].includes(turn.stage);
  const checkIn = () =>
    turn.overdue || out ? onAsk({ kind: "late", line }) : void act.run(() => send(`${base}/check-in`));
  return html`<tr class=${out ? "off" : ""}>
    <td data-label="Plays at"><strong>${clockText(turn.plays_at, starts)}</strong>
      ${turn.planned_at && clockText(turn.planned_at, starts) !== clockText(turn.plays_at, starts) ? html`<br /><span class="soft small">announced ${clockText(turn.planned_at, starts)}</span>` : null}
      ${!here && !out && turn.check_in_by ? html`<br /><span class="soft small">check-in by ${clockText(turn.check_in_by, starts)}</span>` : null}</td>
    <th scope="row"><span class="number">${turn.blind_number}</span></th>
    <td data-label="Name">${line.name}<br /><span class="soft small">${[instrumentText(line.instrument), line.school].filter(Boolean).join(" · ")}</span>
      ${needs(line).map((text) => html`<br /><span class="small"><strong>${text}</strong></span>`)}</td>
    <td data-label="Room">${rooms.find((one) => one.id === turn.room_id)?.name ?? ""}</td>
    <td data-label="State">${turn.overdue ? html`<strong>overdue</strong>` : (STATE_WORDS[turn.state] ?? turn.state)}${STAGE_WORDS[turn.stage] && here ? html`<br /><span class="soft small">${STAGE_WORDS[turn.stage]}${waiting && turn.called_at ? ", called" : ""}</span>` : null}
      ${line.state_reason ? html`<br /><span class="soft small">${line.state_reason}</span>` : null}</td>
    <td class="act">
      ${opened
        ? null
        : html`<div class="deeds">
            ${!here ? html`<${Deed} kind="deed" busy=${act.busy} onClick=${checkIn} label=${`Check in ${line.name}`}>Check in<//>` : null}
            ${here && waiting ? html`<${Deed} busy=${act.busy} onClick=${() => act.run(() => send(`${base}/turn`, { deed: "call" }))} label=${`Call number ${turn.blind_number}`}>${turn.called_at ? "Call again" : "Call"}<//>` : null}
            ${turn.stage !== "played" && turn.stage !== "in the room" ? html`<${Deed} kind="plain" onClick=${() => onAsk({ kind: "more", line })} label=${`More for number ${turn.blind_number}`}>More<//>` : null}
          </div>`}
      <${Wrong}>${act.error}<//>
    </td>
  </tr>`;
}

/** @param {any} line @returns {string[]} what the door must know about somebody */
function needs(line) {
  return [
    line.accommodation,
    line.extra_time_percent ? `${line.extra_time_percent} % more time` : "",
    line.enlarged_music ? "enlarged music" : "",
    line.consent ? "" : "no consent to record noted",
  ].filter(Boolean);
}

/** @param {{asking: any, shown: any, send: (path: string, body?: any, method?: string) => Promise<void>, onClose: () => void}} props */
function Asking({ asking, shown, send, onClose }) {
  const { line } = asking;
  const [choice, setChoice] = useState(/** @type {any} */ (null));
  const [minutes, setMinutes] = useState("15");
  const base = line ? `/api/candidates/${line.turn.candidate_id}` : "";
  if (asking.kind === "close") {
    return html`<${Ask} title="Close check-in?" sentences=${["Everybody whose time to check in has passed is marked as a no-show. Who comes after all can still be checked in as late."]} deed="Close check-in" onClose=${onClose}
      onDo=${() => send(`/api/rounds/${shown.round.id}/close-check-in`)} />`;
  }
  if (asking.kind === "pause") {
    return html`<${Ask} title="A break now" sentences=${["It begins after whoever is playing, in every room. All later times move."]} reason="What for" deed="Begin the break" onClose=${onClose}
      onDo=${(what) => send(`/api/rounds/${shown.round.id}/pauses`, { minutes: Number(minutes), what })}>
      <${Line} label="Minutes" type="number" min="1" max="600" value=${minutes} onValue=${setMinutes} short />
    <//>`;
  }
  if (asking.kind === "late") {
    return html`<${Ask} title=${`Number ${line.turn.blind_number} comes late`} sentences=${[shown.late_rule]} reason="Reason for coming late" deed="Check in as late" onClose=${onClose}
      onDo=${(reason) => send(`${base}/check-in`, { reason })} />`;
  }
  if (!choice) {
    return html`<${Dialog} title=${`Number ${line.turn.blind_number}, ${line.name}`} onClose=${onClose}>
      <p>What has happened?</p>
      <div class="deeds">
        ${MISSING.map((one) => html`<button type="button" onClick=${() => setChoice(one)}>${one.name}</button>`)}
        <button type="button" onClick=${() => setChoice({ key: "put-back", name: "To the end of the list", sentence: "The number is heard after everybody else." })}>To the end of the list</button>
        ${shown.rooms.filter((room) => room.id !== line.turn.room_id).map((room) => html`<button type="button" onClick=${() => setChoice({ key: "move", room, name: `To ${room.name}`, sentence: "The place in the order stays." })}>To ${room.name}</button>`)}
        <button type="button" class="plain" onClick=${onClose}>Leave it as it is</button>
      </div>
    <//>`;
  }
  const moving = choice.key === "move";
  return html`<${Ask} title=${`Number ${line.turn.blind_number}: ${choice.name.toLowerCase()}?`} sentences=${[choice.sentence]} reason=${moving ? undefined : "Reason"} deed=${choice.name} onClose=${onClose}
    onDo=${async (reason) => {
      if (moving) await send(`${base}/turn`, { deed: "move", room_id: choice.room.id });
      else if (choice.key === "put-back") await send(`${base}/turn`, { deed: "put-back", reason });
      else await send(base, { state: choice.key, reason }, "PATCH");
    }} />`;
}

/** @param {{boards: any[], onClose: () => void}} props */
function CallBoard({ boards, onClose }) {
  return html`<dialog class="call-board" aria-label="Call board" ref=${(/** @type {HTMLDialogElement | null} */ box) => box && !box.open && box.showModal()} onClose=${onClose}>
    <${Boards} boards=${boards} />
    <div class="deeds"><button type="button" onClick=${onClose}>Close</button></div>
  </dialog>`;
}

/** @param {{roundId: string}} props */
function Printed({ roundId }) {
  const act = useAct();
  const print = (/** @type {string} */ key) =>
    act.run(async () => saveAs(await fetchBlob(`/api/rounds/${roundId}/${key}.pdf`, { token }), `${key}.pdf`));
  return html`<h2>On paper</h2><div class="deeds">
      ${PRINTED.map((one) => html`<${Deed} busy=${act.busy} onClick=${() => print(one.key)}>${one.name}<//>`)}
    </div><${Wrong}>${act.error}<//>`;
}

render(html`<${Door} />`, /** @type {HTMLElement} */ (document.getElementById("screen")));
