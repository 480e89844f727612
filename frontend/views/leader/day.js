/** Day: rooms, the plan of a round's day, the schedule as it stands, and everything that is printed for it. */

import { call, fetchBlob } from "../../core/api.js";
import { Ask, Deed, Line, Said, Waiting, Wrong, html, saveAs, useAct, useEffect, useLoad, useState } from "../parts.js";
import { Pages } from "../pages.js";
import { STAGE_WORDS, STATE_WORDS, behindText, clockText } from "../day-text.js";
import { Boards } from "../room/boards.js";
import { Away } from "./away.js";
import { DayPlan } from "./day-plan.js";
import { JoinLink } from "./join-link.js";
import { RoundChoice, useRounds } from "./rounds.js";

const POLL_MS = 20_000; // our choice
const LINES = 500; // our choice: nearly every day whole, and no more than one reply holds
const PRINTED = [
  { key: "slips", name: "Number slips" },
  { key: "door-list", name: "Door list (names)" },
  { key: "schedule", name: "Schedule" },
  { key: "script", name: "Proctor's script" },
];

/** @param {{audition: any, more: string}} props */
export function Day({ audition, more }) {
  const { rounds, list, round, choose } = useRounds(audition.id, more);
  return html`<main class="narrow" id="content">
    <${Wrong}>${rounds.error}<//>
    ${rounds.loading && !rounds.data ? html`<${Waiting} />` : null}
    <${Rooms} audition=${audition} />
    ${rounds.data && !round ? html`<p class="next">Make the first round under <a href=${`#/${audition.id}/draw`}>Draw</a>; then its day can be planned here.</p>` : null}
    ${round ? html`<${RoundChoice} list=${list} round=${round} choose=${choose} /><${RoundDay} key=${round.id} audition=${audition} round=${round} />` : null}
  </main>`;
}

/** @param {{audition: any}} props */
function Rooms({ audition }) {
  const base = `/api/auditions/${audition.id}`;
  const rooms = useLoad(() => call("GET", `${base}/rooms`), [audition.id]);
  const act = useAct();
  const [name, setName] = useState("");
  const [link, setLink] = useState(/** @type {any} */ (null));
  const [removing, setRemoving] = useState(/** @type {any} */ (null));
  const add = (/** @type {Event} */ event) => {
    event.preventDefault();
    void act.run(async () => {
      await call("POST", `${base}/rooms`, { name: name.trim() });
      setName("");
      await rooms.reload();
    });
  };
  const linkFor = (/** @type {string} */ title, /** @type {any} */ body) =>
    act.run(async () => setLink({ title, ...(await call("POST", `${base}/proctor-link`, body)) }));
  return html`<h2>Rooms</h2>
    <p>With several rooms candidates are heard side by side; each room's tablet shows its own. With one room nothing need be set here.</p>
    <${Wrong}>${rooms.error || act.error}<//>
    ${(rooms.data ?? []).length
      ? html`<ul class="plain lined">${rooms.data.map(
          (room) => html`<li class="above"><span>${room.name}</span><span>
            <${Deed} onClick=${() => linkFor(`Join link for ${room.name}`, { room_id: room.id })} label=${`Join link for ${room.name}`}>Join link<//>
            <${Deed} kind="plain" onClick=${() => setRemoving(room)} label=${`Give up ${room.name}`}>Give up<//></span></li>`,
        )}</ul>`
      : null}
    <form onSubmit=${add} class="row start">
      <${Line} label="Name of a room" value=${name} onValue=${setName} required maxlength="80" />
      <div class="cell"><${Deed} type="submit" busy=${act.busy}>Add the room<//></div>
    </form>
    <div class="deeds">
      <${Deed} onClick=${() => linkFor("Join link for the door", { label: "Door" })}>Join link for the door<//>
      <${Deed} onClick=${() => act.run(async () => setLink({ title: "Join link for the second person", ...(await call("POST", `${base}/checker-link`)) }))}>Join link for the second person<//>
      <a class="button" href=${`/door.html?audition_id=${audition.id}`}>Go to the door</a>
    </div>
    ${link ? html`<${JoinLink} title=${link.title} link=${link} onClose=${() => setLink(null)} />` : null}
    ${removing
      ? html`<${Ask} title=${`Give up ${removing.name}?`} sentences=${["Who waits for this room goes to the other rooms in turn. Its tablets then show everybody."]} deed="Give the room up" onClose=${() => setRemoving(null)}
          onDo=${async () => { await call("DELETE", `/api/rooms/${removing.id}`); await rooms.reload(); }} />`
      : null}`;
}

/** @param {{audition: any, round: any}} props */
function RoundDay({ audition, round }) {
  const [offset, setOffset] = useState(0);
  const day = useLoad(() => call("GET", `/api/door?audition_id=${audition.id}&round_id=${round.id}&limit=${LINES}&offset=${offset}`), [round.id, offset]);
  const act = useAct();
  const [said, setSaid] = useState("");
  useEffect(() => {
    const timer = setInterval(() => document.hidden || void day.reload(), POLL_MS);
    return () => clearInterval(timer);
  }, [day.reload]);
  const shown = day.data;
  if (!shown) return html`<${Wrong}>${day.error}<//>${day.error ? null : html`<${Waiting} />`}`;
  const announced = shown.turns.some((line) => line.turn.planned_at);
  const starts = shown.plan?.starts_at;
  const announce = () =>
    act.run(async () => {
      await call("POST", `/api/rounds/${round.id}/day/announce`);
      setSaid("The times are announced: slips and lists carry them.");
      await day.reload();
    });
  return html`<h2>The day of ${round.name}</h2>
    <${DayPlan} key=${JSON.stringify(shown.plan)} audition=${audition} round=${round} plan=${shown.plan} suggested=${shown.suggested_minutes} onDone=${day.reload} />
    <h3>Schedule</h3>
    <p class="next" role="status">${shown.plan ? shown.sentence : "The schedule stands here once the plan is kept."}</p>
    <${Wrong}>${act.error}<//><${Said}>${said}<//>
    ${shown.total
      ? html`<div class="deeds"><${Deed} kind=${announced ? "" : "deed"} busy=${act.busy} onClick=${announce}>${announced ? "Announce the times anew" : "Give out rooms and announce the times"}<//></div>
          <${Boards} boards=${shown.boards} />
          <div class="table"><table>
            <thead><tr><th>Plays at</th><th>Number</th><th>Room</th><th>State</th></tr></thead>
            <tbody>${shown.turns.map(
              ({ turn }) => html`<tr><td>${clockText(turn.plays_at, starts)} <span class="soft small">${turn.stage === "waits" || turn.stage === "on deck" ? behindText(turn.behind_minutes) : ""}</span></td>
                <th scope="row">${turn.blind_number}</th>
                <td>${shown.rooms.find((one) => one.id === turn.room_id)?.name ?? ""}</td>
                <td>${STATE_WORDS[turn.state] ?? turn.state}<span class="soft small"> ${turn.checked_in_at ? STAGE_WORDS[turn.stage] : ""}</span></td></tr>`,
            )}</tbody></table></div>
          <${Pages} total=${shown.total} offset=${shown.offset} limit=${LINES} onOffset=${setOffset} what="number" />
          <${Away} audition=${audition} round=${{ ...round, state: shown.round.state }} turns=${shown.turns} all=${shown.turns.length === shown.total} />
          <h3>On paper</h3>
          <${Printed} audition=${audition} round=${round} />`
      : null}`;
}

/** @param {{audition: any, round: any}} props */
function Printed({ audition, round }) {
  const act = useAct();
  const panel = useLoad(() => call("GET", `/api/auditions/${audition.id}/adjudicators`), [audition.id]);
  const print = (/** @type {string} */ path, /** @type {string} */ name) =>
    act.run(async () => saveAs(await fetchBlob(`/api/rounds/${round.id}/${path}`), `${name}.pdf`));
  return html`<div class="deeds">
      ${PRINTED.map((one) => html`<${Deed} busy=${act.busy} onClick=${() => print(`${one.key}.pdf`, one.key)}>${one.name}<//>`)}
      ${(panel.data ?? []).map((one) => html`<${Deed} busy=${act.busy} onClick=${() => print(`adjudication-sheets.pdf?adjudicator_id=${one.id}`, `adjudication-sheets-${one.letter}`)}>Blank sheets, ${one.letter}<//>`)}
    </div><${Wrong}>${act.error || panel.error}<//>`;
}
