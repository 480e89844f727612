/** A day kept on one recorder: the long file, its cuts, whose they are. For the proctor and the leader, with names. */

import { call } from "../../core/api.js";
import { newId } from "../../core/ids.js";
import { proctorKey } from "../../core/keys.js";
import { Ask, Choice, Deed, Head, Line, Waiting, Wrong, counted, dateText, html, render, useAct, useEffect, useLoad, useState } from "../parts.js";
import { Cut } from "./cut.js";
import { Send } from "./send.js";
import { fromLocalInput, localInput, longClock, secondsOf } from "./times.js";
import { Timeline } from "./timeline.js";

const POLL_MS = 3000; // our choice: while it is being cut
const WORKING = ["queued", "running"];
const auditionId = new URLSearchParams(location.search).get("audition_id") ?? "";
const token = auditionId ? null : (proctorKey()?.token ?? null);
const query = auditionId ? `?audition_id=${auditionId}` : "";

function Screen() {
  const [roundId, setRoundId] = useState("");
  const room = useLoad(() => call("GET", `/api/room?${new URLSearchParams({ limit: "1", ...(auditionId ? { audition_id: auditionId } : {}), ...(roundId ? { round_id: roundId } : {}) })}`, undefined, { token }), [roundId]);
  const round = room.data?.round ?? null;
  const list = useLoad(() => (round ? call("GET", `/api/day-recordings?round_id=${round.id}`, undefined, { token }) : Promise.resolve(null)), [round?.id]);
  const [chosen, setChosen] = useState("");
  const recordings = list.data?.recordings ?? [];
  const shownId = recordings.some((/** @type {any} */ one) => one.recording_id === chosen) ? chosen : (recordings[0]?.recording_id ?? "");
  if (!room.data) {
    return html`<${Head} title="Day’s recording" /><main class="middle"><${Wrong}>${room.error}<//>
      ${room.error ? html`<${Deed} onClick=${room.reload}>Try again<//>` : html`<${Waiting} />`}</main>`;
  }
  const drawn = room.data.rounds.filter((/** @type {any} */ one) => one.state === "drawn" || one.state === "opened");
  return html`<${Head} title="Day’s recording" about=${[room.data.audition.name, round?.name].filter(Boolean).join(" · ")}>
      <a href=${`/room.html${query}`}>Recording room</a>
      ${auditionId ? html`<a href=${`/leader.html#/${auditionId}/room`}>Back to the audition</a>` : null}
    <//>
    <main class="wide" id="content">
      <${Wrong}>${list.error}<//>
      ${drawn.length > 1 ? html`<${Choice} label="Round" short value=${round?.id} onValue=${setRoundId} options=${drawn.map((/** @type {any} */ one) => ({ key: one.id, name: one.name }))} />` : null}
      ${!drawn.length ? html`<p class="next">The draw has not been made yet. Once it is, a recording of the day can be handed in here.</p>` : null}
      ${recordings.length > 1 ? html`<${Choice} label="Recording" short value=${shownId} onValue=${setChosen} options=${recordings.map((/** @type {any} */ one) => ({ key: one.recording_id, name: `${longClock(one.duration_sec)}, handed in ${dateText(one.received_at)}` }))} />` : null}
      ${shownId ? html`<${Recording} key=${shownId} recordingId=${shownId} onChange=${list.reload} />` : null}
      ${round && round.state === "drawn" && list.data
        ? html`<${Coming} coming=${list.data.coming} onChange=${list.reload} />
          <${Send} roundId=${round.id} rooms=${room.data.rooms} token=${token} onArrived=${async (/** @type {any} */ day) => { setChosen(day.line.recording_id); await list.reload(); }} />`
        : null}
    </main>`;
}

/** @param {{coming: any[], onChange: () => Promise<void>}} props */
function Coming({ coming, onChange }) {
  const act = useAct();
  if (!coming.length) return null;
  return html`<ul class="plain lined">${coming.map(
    (one) => html`<li class="above"><span>A recording of ${(one.size_bytes / 2 ** 20).toFixed(0)} MB is ${Math.floor((100 * one.parts.length * one.part_bytes) / Math.max(one.size_bytes, one.part_bytes))} % here. Choose the same file below to go on.</span>
      <${Deed} kind="plain" busy=${act.busy} onClick=${() => act.run(async () => { await call("DELETE", `/api/day-recordings/${one.recording_id}/parts`, undefined, { token }); await onChange(); })}>Throw away what is here<//></li>`,
  )}</ul><${Wrong}>${act.error}<//>`;
}

/** @param {{recordingId: string, onChange: () => Promise<void>}} props */
function Recording({ recordingId, onChange }) {
  const address = `/api/day-recordings/${recordingId}`;
  const day = useLoad(() => call("GET", address, undefined, { token }), [recordingId]);
  const act = useAct();
  const [chosen, setChosen] = useState("");
  const [wanted, setWanted] = useState("playing");
  const [asking, setAsking] = useState("");
  const [refusals, setRefusals] = useState("");
  const shown = day.data;
  const working = shown && WORKING.includes(shown.line.state);
  useEffect(() => {
    if (!working) return undefined;
    const timer = setInterval(() => document.hidden || void day.reload(), POLL_MS);
    return () => clearInterval(timer);
  }, [working, day.reload]);
  if (!shown) return html`<${Wrong}>${day.error}<//>${day.error ? null : html`<${Waiting} />`}`;
  const { line } = shown;
  const send = (/** @type {string} */ method, /** @type {string} */ path, /** @type {any} */ body = undefined) =>
    act.run(async () => {
      const answer = await call(method, path, body, { token });
      day.set(answer.day ?? answer);
      setRefusals((answer.outcomes ?? []).map((/** @type {any} */ one) => one.sentence).filter(Boolean).join(" "));
    });
  const numbers = Object.fromEntries(shown.candidates.map((/** @type {any} */ one) => [one.candidate_id, one.blind_number]));
  const names = Object.fromEntries(shown.candidates.map((/** @type {any} */ one) => [one.candidate_id, `Number ${one.blind_number}, ${one.name}`]));
  const titles = Object.fromEntries(shown.pieces.map((/** @type {any} */ one) => [one.piece_id, one.title]));
  const cuts = shown.cuts.filter((/** @type {any} */ cut) => wanted === "all" || (cut.kind === "playing" && (wanted === "playing" || cut.state === "proposed")));
  return html`<section aria-label="Recording">
    <p class="next" role="status">${shown.sentence}</p>
    ${working ? html`<p>${line.text || "Being cut"} …<progress max="1" value=${line.progress} aria-label="Cutting"></progress></p>` : null}
    ${line.state === "failed" ? html`<div class="notice wrong" role="alert"><p>${line.text}</p></div><${Deed} busy=${act.busy} onClick=${() => send("POST", `${address}/cut-again`)}>Try again<//>` : null}
    ${shown.notes.map((/** @type {string} */ note) => html`<div class="notice"><p>${note}</p></div>`)}
    <${Wrong}>${act.error || refusals || day.error}<//>
    ${line.state === "ready" || line.state === "removed"
      ? html`${line.state === "ready" ? html`<${Timeline} day=${shown} numbers=${numbers} chosen=${chosen} onChoose=${setChosen} />` : null}
        ${line.state === "ready" ? html`<${Settings} key=${line.started_at} day=${shown} busy=${act.busy} send=${(/** @type {any} */ body) => send("PATCH", address, body)} />` : null}
        <${People} day=${shown} titles=${titles} busy=${act.busy} onConfirm=${(/** @type {string} */ id) => send("POST", `${address}/confirm`, { candidate_id: id })} />
        <h3>Cuts in the order of time</h3>
        <${Choice} label="Show" short value=${wanted} onValue=${setWanted} options=${[{ key: "playing", name: "all playing" }, { key: "open", name: "playing that is open" }, { key: "all", name: "talk and noise too" }]} />
        ${cuts.length
          ? html`<ul class="plain lined">${cuts.map((/** @type {any} */ cut) => html`<${Cut} key=${cut.cut_id} cut=${cut} who=${names[cut.candidate_id] ?? ""} piece=${titles[cut.piece_id] ?? ""} day=${shown} token=${token} onDay=${day.set} chosen=${cut.cut_id === chosen} onChoose=${() => setChosen(cut.cut_id)} />`)}</ul>`
          : html`<p class="soft">${wanted === "open" ? "Nothing is open." : "No playing was found in this recording."}</p>`}
        ${line.state === "ready" ? html`<${Add} busy=${act.busy} send=${(/** @type {any} */ body) => send("POST", `${address}/cuts`, body)} />` : null}
        <div class="deeds">
          ${line.open_cuts ? html`<${Deed} onClick=${() => setAsking("aside")}>Set aside everything that is open<//>` : null}
          ${auditionId && line.state === "ready" ? html`<${Deed} onClick=${() => setAsking("remove")} why=${line.open_cuts ? `${counted(line.open_cuts, "cut")} still open: confirm or set aside first.` : ""}>Remove the long recording<//>` : null}
        </div>`
      : null}
    ${asking === "aside" ? html`<${Ask} title="Set aside everything that is open?" sentences=${[`${counted(line.open_cuts, "stretch", "stretches")} of playing become nobody’s take. Each can be proposed again while the long recording is kept.`]} deed="Set aside" onClose=${() => setAsking("")} onDo=${() => call("POST", `${address}/set-aside`, undefined, { token }).then(day.set)} />` : null}
    ${asking === "remove" ? html`<${Ask} title="Remove the long recording?" sentences=${["The takes cut from it stay. What was set aside can’t be heard any more."]} deed="Remove it" onClose=${() => setAsking("")} onDo=${() => call("POST", `${address}/remove`, undefined, { token }).then(async (/** @type {any} */ now) => { day.set(now); await onChange(); })} />` : null}
  </section>`;
}

/** @param {{day: any, busy: boolean, send: (body: any) => void}} props */
function Settings({ day, busy, send }) {
  const [started, setStarted] = useState(localInput(day.line.started_at));
  const [room, setRoom] = useState(day.line.room_id ?? "");
  return html`<details><summary>When and where it was recorded</summary>
    <div class="row start">
      <${Line} label="Started at" hint="Empty: not known, only the order counts." type="datetime-local" step="1" value=${started} onValue=${setStarted} />
      ${day.rooms.length > 1 ? html`<${Choice} label="Room it stood in" short value=${room} onValue=${setRoom} options=${[{ key: "", name: "not known" }, ...day.rooms.map((/** @type {any} */ one) => ({ key: one.id, name: one.name }))]} />` : null}
    </div>
    <${Deed} busy=${busy} onClick=${() => send({ started_at: fromLocalInput(started), room_id: room || null })}>Propose anew with this<//>
  </details>`;
}

/** @param {{day: any, titles: Record<string, string>, busy: boolean, onConfirm: (id: string) => void}} props */
function People({ day, titles, busy, onConfirm }) {
  const cell = (/** @type {any} */ one, /** @type {any} */ piece) => {
    const own = day.cuts.filter((/** @type {any} */ cut) => cut.candidate_id === one.candidate_id && cut.piece_id === piece.piece_id && cut.state !== "set aside");
    if (own.some((/** @type {any} */ cut) => cut.state === "confirmed")) return "confirmed";
    const best = own.find((/** @type {any} */ cut) => !cut.repeated);
    if (best) return best.by_hand ? "by hand" : best.word;
    return one.recorded.includes(piece.piece_id) ? "take is in" : "–";
  };
  const open = (/** @type {any} */ one) => day.cuts.filter((/** @type {any} */ cut) => cut.candidate_id === one.candidate_id && cut.piece_id && cut.kind === "playing" && cut.state === "proposed" && !cut.repeated).length;
  return html`<h3>Numbers</h3>
    <div class="table"><table class="cards">
      <thead><tr><th>Number</th><th>Name</th>${day.pieces.map((/** @type {any} */ piece) => html`<th>${piece.title}</th>`)}<th><span class="unseen">What to do</span></th></tr></thead>
      <tbody>${day.candidates.map(
        (/** @type {any} */ one) => html`<tr><td data-label="Number">${one.blind_number}</td><td data-label="Name">${one.name}</td>
          ${day.pieces.map((/** @type {any} */ piece) => html`<td data-label=${titles[piece.piece_id]}>${cell(one, piece)}</td>`)}
          <td>${open(one) && day.line.state === "ready" ? html`<${Deed} busy=${busy} onClick=${() => onConfirm(one.candidate_id)}>Confirm ${open(one) === 1 ? "it" : `all ${open(one)}`}<span class="unseen"> of number ${one.blind_number}</span><//>` : null}</td></tr>`,
      )}</tbody></table></div>`;
}

/** @param {{busy: boolean, send: (body: any) => void}} props */
function Add({ busy, send }) {
  const [start, setStart] = useState("");
  const [end, setEnd] = useState("");
  const why = secondsOf(end) > secondsOf(start) ? "" : "Write both times, such as 1:02:03 and 1:03:10.";
  return html`<details><summary>Add a cut</summary>
    <div class="row start"><${Line} label="Begins at" short value=${start} onValue=${setStart} /><${Line} label="Ends at" short value=${end} onValue=${setEnd} />
    <${Deed} busy=${busy} why=${why} showWhy=${end !== ""} onClick=${() => { send({ id: newId(), start_sec: secondsOf(start), end_sec: secondsOf(end) }); setStart(""); setEnd(""); }}>Add it<//></div></details>`;
}

render(html`<${Screen} />`, /** @type {HTMLElement} */ (document.getElementById("screen")));
