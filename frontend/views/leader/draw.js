/** Draw: rounds, the committed seed, blind numbers and playing order, and how anyone can recompute them. */

import { call, callPage } from "../../core/api.js";
import { Ask, Check, Choice, Deed, Line, Waiting, Wrong, counted, dateText, html, useAct, useLoad, useState } from "../parts.js";
import { HandingInPlan, planText } from "./handing-in.js";
import { ListeningDesign, designText } from "./listening-design.js";
import { LINES, Pages, Search, usePages } from "../pages.js";
import { RoundChoice, STATE_WORDS, useRounds } from "./rounds.js";

const KINDS = [
  { key: "first", name: "First round" },
  { key: "rehearing", name: "Re-hearing" },
  { key: "final", name: "Final" },
];

const MOST_TO_CHOOSE = 500; // our choice: nobody ticks thousands one by one

/** @param {{audition: any, pieces: any[], entries: any[], rounds: any[], first: boolean, onMade: (round: any) => Promise<void>}} props */
function NewRound({ audition, pieces, entries, rounds, first, onMade }) {
  const act = useAct();
  const [kind, setKind] = useState(first ? "first" : "rehearing");
  const [name, setName] = useState(first ? "First round" : "");
  const [seats, setSeats] = useState("");
  const [carriedFrom, setCarriedFrom] = useState("");
  const [percent, setPercent] = useState("50");
  const [secondCheck, setSecondCheck] = useState(false);
  const [out, setOut] = useState(/** @type {string[]} */ ([]));
  const [outPieces, setOutPieces] = useState(/** @type {string[]} */ ([]));
  const many = audition.counts.entries > MOST_TO_CHOOSE; // then everybody plays
  const inRound = entries.filter((entry) => !entry.withdrawn);
  const chosen = inRound.filter((entry) => !out.includes(entry.entry_id));
  const chosenPieces = pieces.filter((piece) => !outPieces.includes(piece.id));
  const why =
    pieces.length === 0
      ? "No piece is set yet: add the material first."
      : inRound.length === 0 && !many
        ? "No student is on the roster yet."
        : chosen.length === 0 && !many
          ? "Choose at least one student."
          : chosenPieces.length === 0
            ? "Choose at least one piece."
            : "";
  const submit = (event) => {
    event.preventDefault();
    if (why) return;
    void act.run(async () => {
      const round = await call("POST", `/api/auditions/${audition.id}/rounds`, {
        name: name.trim() || KINDS.find((one) => one.key === kind)?.name,
        kind,
        seats: seats === "" ? null : Number(seats),
        carried_from: carriedFrom || null,
        carry_percent: carriedFrom ? Number(percent) : 0,
        second_check: secondCheck,
        piece_ids: outPieces.length ? chosenPieces.map((piece) => piece.id) : [],
        entry_ids: out.length ? chosen.map((entry) => entry.entry_id) : null,
      });
      await onMade(round);
    });
  };
  const flip = (list, set) => (id) => (checked) => set(checked ? list.filter((one) => one !== id) : [...list, id]);
  const flipEntry = flip(out, setOut);
  const flipPiece = flip(outPieces, setOutPieces);
  return html`<form onSubmit=${submit}>
    <div class="row start">
      <${Choice} label="Kind" value=${kind} onValue=${setKind} options=${KINDS} short />
      <${Line} label="Name" value=${name} onValue=${setName} maxlength="120" placeholder=${KINDS.find((one) => one.key === kind)?.name} />
      <${Line} label="Seats" type="number" min="1" value=${seats} onValue=${setSeats} short hint="How many there are to give; leave it empty when none are." />
    </div>
    ${rounds.length
      ? html`<div class="row start">
          <${Choice} label="Earlier marks" value=${carriedFrom} onValue=${setCarriedFrom} options=${[{ key: "", name: "do not count again" }, ...rounds.map((one) => ({ key: one.id, name: `of ${one.name} count as well` }))]} />
          ${carriedFrom ? html`<${Line} label="Their share, in percent" type="number" min="1" max="90" value=${percent} onValue=${setPercent} short />` : null}
        </div>`
      : null}
    <${Check} label="A second person confirms the tabulation before this round can be opened" checked=${secondCheck} onValue=${setSecondCheck} />
    ${pieces.length > 1 ? html`<fieldset><legend>Pieces that are heard</legend>
      ${pieces.map((piece) => html`<${Check} label=${piece.title} checked=${!outPieces.includes(piece.id)} onValue=${flipPiece(piece.id)} />`)}</fieldset>` : null}
    ${inRound.length ? html`<details open=${!first}><summary>${counted(chosen.length, "student")} of ${inRound.length} play in this round</summary>
      ${inRound.map((entry) => html`<${Check} label=${entry.name} checked=${!out.includes(entry.entry_id)} onValue=${flipEntry(entry.entry_id)} />`)}</details>` : null}
    <${Wrong}>${act.error}<//>
    <${Deed} type="submit" kind="deed" busy=${act.busy} why=${why}>Set up this round<//>
  </form>`;
}

/** @param {{seed: string, auditionId: string}} props */
const HowToVerify = ({ seed, auditionId }) => html`<details>
  <summary>How anyone can check this draw</summary>
  <p>The hash was shown before the draw and is the SHA-256 of the seed shown now. Either of these lines prints it, on any computer:</p>
  <p class="hash">printf %s ${seed} | sha256sum</p>
  <p class="hash">python3 -c "from hashlib import sha256; print(sha256(b'${seed}').hexdigest())"</p>
  <p>Numbers and order follow from the seed and the ids of the roster's lines alone; the README prints the few lines of plain Python that work them out again. Every step also stands in the <a href=${`#/${auditionId}/audit`}>audit list</a>.</p>
</details>`;

/** @param {{audition: any, round: any, pieces: any[], instruments: {key: string, name: string}[], onChange: () => Promise<void>}} props */
function OneRound({ audition, round, pieces, instruments, onChange }) {
  const act = useAct();
  const [asking, setAsking] = useState(false);
  const [removing, setRemoving] = useState(false);
  const names = Object.fromEntries(instruments.map((one) => [one.key, one.name]));
  const detail = useLoad(() => call("GET", `/api/rounds/${round.id}`), [round.id, round.state]);
  const shown = detail.data ?? round;
  const pages = usePages();
  const numbers = useLoad(() => callPage(`/api/rounds/${round.id}/candidates`, { find: pages.find, offset: pages.offset, limit: LINES }), [round.id, shown.state, pages.find, pages.offset]);
  const candidates = numbers.data?.lines ?? [];
  const commitment = shown.seed_commitment ?? shown.commitment;
  const rule = audition.rule_declared_at
    ? null
    : html`<p class="notice">The rule is not declared yet. <a href=${`#/${audition.id}/rule`}>Declare it</a> before the first take.</p>`;
  return html`<section>
    <h2>${shown.name}</h2>
    <${Wrong}>${act.error || detail.error}<//>
    ${rule}
    <dl class="facts">
      <dt>State</dt><dd>${STATE_WORDS[shown.state] ?? shown.state}</dd>
      ${shown.seats ? html`<dt>Seats</dt><dd>${shown.seats}</dd>` : null}
      ${shown.carried_from ? html`<dt>Earlier marks</dt><dd>count ${shown.carry_percent} %</dd>` : null}
      ${shown.second_check ? html`<dt>Tabulation</dt><dd>a second person confirms it before opening</dd>` : null}
      ${shown.state === "drawn" || shown.state === "opened" ? html`<dt>Recorded</dt><dd>${planText(shown.handing_in)}</dd>${shown.handing_in ? null : html`<dt>How the panel listens</dt><dd>${designText(shown)}</dd>`}` : null}
      ${commitment ? html`<dt>Hash of the seed</dt><dd class="hash">${commitment}</dd>` : null}
      ${shown.committed_at ? html`<dt>committed</dt><dd>${dateText(shown.committed_at)}</dd>` : null}
      ${shown.seed ? html`<dt>Seed</dt><dd class="hash">${shown.seed}</dd>` : null}
      ${shown.sealed_at ? html`<dt>sealed</dt><dd>${dateText(shown.sealed_at)}</dd>` : null}
      ${shown.opened_at ? html`<dt>opened</dt><dd>${dateText(shown.opened_at)}</dd>` : null}
    </dl>
    ${shown.state === "setup" || shown.state === "committed"
      ? html`<${HandingInPlan} key=${`${round.id}-in`} round=${shown} onChange=${detail.reload} /><${ListeningDesign} key=${`${round.id}-design`} audition=${audition} round=${shown} pieces=${pieces} onChange=${detail.reload} />`
      : null}
    ${shown.state === "setup"
      ? html`<p class="next">First a secret seed is made and its hash is shown, so that nobody can choose a draw they like. Read the hash out or write it down; then draw.</p>
          <${Deed} kind="deed" busy=${act.busy} onClick=${() =>
            act.run(async () => {
              await call("POST", `/api/rounds/${round.id}/commit`);
              await onChange();
              await detail.reload();
            })}>Make the seed and show its hash<//>
          <p><${Deed} kind="plain" onClick=${() => setRemoving(true)}>Remove this round<//></p>`
      : null}
    ${shown.state === "committed"
      ? html`<p class="next">The hash above is fixed. Drawing gives every student a blind number and a place in the playing order, and seals the names.</p>
          <${Deed} kind="deed" onClick=${() => setAsking(true)}>Draw<//>`
      : null}
    ${shown.state === "drawn" && shown.handing_in && !shown.handing_in.handed_in_at ? html`<${HandingInPlan} key=${`${round.id}-later`} round=${shown} onChange=${detail.reload} />` : null}
    ${shown.state === "drawn" || shown.state === "opened"
      ? html`<p class="next">${shown.state === "drawn" ? "Drawn and sealed. " : ""}<a href=${`#/${audition.id}/room`}>Go to the recording room</a>.</p>`
      : null}
    ${shown.candidate_count > LINES ? html`<${Search} label="Find a number" pages=${pages} />` : null}
    ${candidates.length
      ? html`<div class="table"><table><thead><tr><th>Playing order</th><th>Number</th><th>Instrument</th></tr></thead><tbody>
          ${candidates.map((one) => html`<tr><td>${one.playing_order}</td><td><strong>${one.blind_number}</strong></td><td>${names[one.instrument] ?? one.instrument}</td></tr>`)}
        </tbody></table></div>
        <${Pages} total=${numbers.data?.total ?? 0} offset=${pages.offset} limit=${LINES} onOffset=${pages.setOffset} what="number" />
        <p class="soft small">Who stands behind a number is shown in the recording room, to you and the proctor.</p>`
      : null}
    ${shown.seed ? html`<${HowToVerify} seed=${shown.seed} auditionId=${audition.id} />` : null}
    ${removing
      ? html`<${Ask}
          title=${`Remove ${shown.name}?`}
          sentences=${["Nothing was committed or drawn in it yet."]}
          deed="Remove the round"
          onClose=${() => setRemoving(false)}
          onDo=${async () => {
            await call("DELETE", `/api/rounds/${round.id}`);
            await onChange();
          }}
        />`
      : null}
    ${asking
      ? html`<${Ask}
          title="Draw now?"
          sentences=${["The roster of this round is fixed by the draw. Late changes are withdrawals, or a new round."]}
          deed="Draw"
          onClose=${() => setAsking(false)}
          onDo=${async () => {
            await call("POST", `/api/rounds/${round.id}/draw`);
            await onChange();
            await detail.reload();
          }}
        />`
      : null}
  </section>`;
}

/** @param {{audition: any, defaults: any, reload: () => Promise<void>, more: string}} props */
export function Draw({ audition, defaults, reload, more }) {
  const { rounds, list, round, choose } = useRounds(audition.id, more);
  const pieces = useLoad(() => call("GET", `/api/auditions/${audition.id}/pieces`), [audition.id]);
  const many = audition.counts.entries > MOST_TO_CHOOSE;
  const roster = useLoad(async () => (many ? [] : call("GET", `/api/auditions/${audition.id}/roster`)), [audition.id, many]);
  const [adding, setAdding] = useState(false);
  const refresh = async () => {
    await Promise.all([rounds.reload(), reload()]);
  };
  const ready = rounds.data && pieces.data && roster.data;
  const error = rounds.error || pieces.error || roster.error;
  const made = async (one) => {
    await refresh();
    choose(one.id);
    setAdding(false);
  };
  const form = (first) =>
    html`<${NewRound} audition=${audition} pieces=${pieces.data} entries=${roster.data} rounds=${list} first=${first} onMade=${made} />`;
  return html`<main class="narrow" id="content">
    <${Wrong}>${error}<//>
    ${!ready && !error ? html`<${Waiting} />` : null}
    ${ready && list.length === 0 ? html`<h2>First round</h2><p class="next">A round is one pass of hearing candidates; each has a draw of its own.</p>${form(true)}` : null}
    ${ready && round
      ? html`<${RoundChoice} list=${list} round=${round} choose=${choose} />
          <${OneRound} key=${round.id} audition=${audition} pieces=${pieces.data} instruments=${defaults.instruments} round=${round} onChange=${refresh} />
          <hr />
          ${adding ? html`<h2>Another round</h2>${form(false)}` : html`<${Deed} onClick=${() => setAdding(true)}>Set up another round<//>`}`
      : null}
  </main>`;
}
