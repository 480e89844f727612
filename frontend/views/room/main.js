/** The recording room: the playing order with names and numbers, the script, takes by upload or microphone. */

import { call } from "../../core/api.js";
import { proctorKey } from "../../core/keys.js";
import * as sending from "../../core/sending.js";
import * as spool from "../../core/spool.js";
import { Choice, Deed, Head, Waiting, Wrong, html, render, useCallback, useEffect, useLoad, useRef, useState } from "../parts.js";
import { LINES, Pages, Search, usePages } from "../pages.js";
import { CandidateView } from "./candidate.js";
import { SpoolView } from "./spool-view.js";

const CANDIDATE_ID = /^[0-9a-f]{32}$/;
const POLL_MS = 15000; // our choice: another device may have changed something
const STATE_WORDS = { expected: "expected", present: "here", late: "late", absent: "absent", withdrawn: "withdrawn", "no-show": "no-show", heard: "heard" };
const auditionId = new URLSearchParams(location.search).get("audition_id") ?? "";
/** A leader works here by the cookie, a proctor by the tablet's token. */
const token = auditionId ? null : (proctorKey()?.token ?? null);

/** @param {any} candidate @param {any[]} pieces */
function stateText(candidate, pieces) {
  const kept = new Set(candidate.takes.filter((take) => take.state === "kept").map((take) => take.piece_id));
  if (kept.size && kept.size < pieces.length) return `${kept.size} of ${pieces.length} pieces`;
  if (kept.size && kept.size === pieces.length) return "all recorded";
  return STATE_WORDS[candidate.state] ?? candidate.state;
}

function Room() {
  const [roundId, setRoundId] = useState("");
  const pages = usePages();
  const [chosen, setChosen] = useState(location.hash.slice(1));
  const onScreen = useRef("");
  onScreen.current = chosen;
  const room = useLoad(() => {
    const query = new URLSearchParams({ find: pages.find, offset: String(pages.offset), limit: String(LINES) });
    if (auditionId) query.set("audition_id", auditionId);
    if (roundId) query.set("round_id", roundId);
    if (CANDIDATE_ID.test(onScreen.current)) query.set("candidate_id", onScreen.current); // stays on the screen, on whichever page
    return call("GET", `/api/room?${query}`, undefined, { token });
  }, [roundId, pages.find, pages.offset]);
  const before = useRef(/** @type {any} */ (null));
  if (room.data) before.current = room.data;
  const [spooled, setSpooled] = useState(/** @type {import("../../core/spool.js").Spooled[]} */ ([]));
  const [busyWith, setBusyWith] = useState("");
  const [toLookAt, setToLookAt] = useState(/** @type {{take_id: string, candidate_id: string, text: string}[]} */ ([]));
  const [recordingShown, setRecordingShown] = useState(/** @type {string | null} */ (null));
  const left = useLoad(() => call("GET", `/api/uploads${auditionId ? `?audition_id=${auditionId}` : ""}`, undefined, { token }), []);
  const setRead = (one) => setToLookAt((before) => before.filter((other) => other !== one));
  const lookAtSpool = useCallback(async () => setSpooled(await spool.list()), []);
  useEffect(() => {
    void lookAtSpool();
    const timer = setInterval(() => {
      if (document.hidden) return;
      void room.reload();
      void left.reload();
    }, POLL_MS);
    return () => clearInterval(timer);
  }, [room.reload]);
  useEffect(
    () =>
      sending.onArrived((recording, take) => {
        // Another number is on the screen by now: what the checks found is said there as well.
        if (take.quality.word === "look" && recording.candidate_id !== onScreen.current) {
          const text = `Number ${recording.blind_number}, ${recording.piece_title}: ${take.quality.sentences.join(" ")}`;
          setToLookAt((before) => [...before, { take_id: take.take_id, candidate_id: recording.candidate_id, text }]);
        }
        void lookAtSpool();
        void room.reload();
      }),
    [room.reload],
  );
  useEffect(() => {
    const guard = (event) => {
      if (busyWith) event.preventDefault();
    };
    addEventListener("beforeunload", guard);
    return () => removeEventListener("beforeunload", guard);
  }, [busyWith]);
  const shown = room.data ?? before.current; // the search field must not vanish under whoever types in it
  if (!shown) {
    const lost = room.error && !token && !auditionId;
    return html`<${Head} title="Recording room" />
      <main class="middle"><${Wrong}>${room.error}<//>
        ${lost ? html`<p>This device has not joined the recording room. Open the link, or scan the code, that the section leader gives you; a section leader goes in from the audition. <a href="/">To the front page</a>.</p>` : null}
        ${room.error ? html`<${Deed} onClick=${room.reload}>Try again<//>` : html`<${Waiting} />`}
        <${SpoolView} spooled=${spooled} shown=${null} unfinished=${[]} token=${token} onChange=${lookAtSpool} />
      </main>`;
  }
  const candidates = shown.candidates ?? []; // a page, in the order of calling
  const pieces = shown.pieces ?? [];
  const next = shown.next;
  const candidate = [...candidates, shown.chosen, next].find((one) => one?.candidate_id === chosen) ?? null;
  const choose = (id) => {
    setChosen(id);
    history.replaceState(null, "", `#${id}`);
    requestAnimationFrame(() => document.getElementById("candidate")?.focus({ preventScroll: false }));
  };
  const drawn = shown.drawn > 0;
  return html`<${Head} title="Recording room" about=${[shown.audition?.name, shown.round?.name, shown.rooms.find((one) => one.id === shown.room_id)?.name].filter(Boolean).join(" · ")}>
      <a href=${auditionId ? `/door.html?audition_id=${auditionId}` : "/door.html"}>Door</a>
      <a href=${auditionId ? `/day-recording.html?audition_id=${auditionId}` : "/day-recording.html"}>Day’s recording</a>
      ${auditionId ? html`<a href=${`/leader.html#/${auditionId}/room`}>Back to the audition</a>` : null}
    <//>
    <${Wrong}>${room.error}<//>
    ${drawn
      ? html`<main class="room">
          <nav class="contents" aria-label="Playing order">
            ${(shown.rounds ?? []).filter((one) => one.state === "drawn" || one.state === "opened").length > 1
              ? html`<${Choice} label="Round" value=${shown.round?.id} onValue=${setRoundId} options=${shown.rounds.filter((one) => one.state === "drawn" || one.state === "opened").map((one) => ({ key: one.id, name: one.name }))} />`
              : null}
            ${shown.drawn > LINES || pages.find ? html`<${Search} label="Find a number or name" pages=${pages} />` : null}
            ${candidates.length === 0 ? html`<p class="soft" role="status">Nobody is found by that.</p>` : null}
            ${candidates.map(
              (one) => html`<button type="button" class=${["withdrawn", "no-show", "absent"].includes(one.state) ? "off" : ""} aria-current=${one === candidate ? "true" : undefined}
                onClick=${() => (busyWith && busyWith !== one.candidate_id ? null : choose(one.candidate_id))}>
                <span class="who"><span class="number">${one.blind_number}</span><span>${one.name}</span></span>
                <span class="state">${stateText(one, pieces)}</span>
              </button>`,
            )}
            <${Pages} total=${shown.total} offset=${pages.offset} limit=${LINES} onOffset=${pages.setOffset} what="candidate" />
          </nav>
          <section id="candidate" tabindex="-1" aria-label="Candidate">
            <${SpoolView} spooled=${spooled} shown=${recordingShown} unfinished=${left.data ?? []} token=${token} onChange=${async () => { await lookAtSpool(); await left.reload(); await room.reload(); }} />
            <div role="status">${toLookAt.map(
              (one) => html`<div class="notice wrong"><p>${one.text}</p>
                <div class="deeds">
                  ${busyWith ? null : html`<${Deed} onClick=${() => { setRead(one); choose(one.candidate_id); void room.reload(); }}>Go there<//>`}
                  <${Deed} kind="plain" onClick=${() => setRead(one)}>I have read this<//>
                </div></div>`,
            )}</div>
            ${candidate
              ? html`<${CandidateView} key=${candidate.candidate_id} audition=${shown.audition} candidate=${candidate} pieces=${pieces} spooled=${spooled.filter((one) => one.id !== recordingShown)} script=${shown.script ?? []} policy=${shown.restarts} studySec=${shown.study_sec} token=${token}
                  onChange=${room.reload} onSpool=${lookAtSpool} onShown=${setRecordingShown} onBusy=${(busy) => setBusyWith(busy ? candidate.candidate_id : "")} />
                  ${next && next !== candidate && !busyWith ? html`<p><${Deed} onClick=${() => choose(next.candidate_id)}>Next: number ${next.blind_number}, ${next.name}<//></p>` : null}`
              : html`<h2>Who plays next</h2>
                  <p class="next">${next ? `Number ${next.blind_number}, ${next.name}.` : "Everybody's takes are in."}</p>
                  ${next ? html`<${Deed} kind="deed" onClick=${() => choose(next.candidate_id)}>Take number ${next.blind_number}<//>` : null}
                  <${Script} script=${shown.script ?? []} />`}
          </section>
        </main>`
      : html`<main class="narrow"><p class="next">The draw has not been made yet. As soon as the section leader draws, the playing order stands here.</p>
          <${Script} script=${shown.script ?? []} /></main>`}`;
}

/** @param {{script: string[]}} props */
const Script = ({ script }) =>
  script.length ? html`<h3>Read to every candidate</h3><ol>${script.map((sentence) => html`<li>${sentence}</li>`)}</ol>` : null;

sending.start(token);
render(html`<${Room} />`, /** @type {HTMLElement} */ (document.getElementById("screen")));
