/** A round that students hand in by a link: its plan before the draw; then who has handed in, closing, who hears whom. */

import { call, fetchBlob, fetchPosted } from "../../core/api.js";
import { Ask, Check, Deed, Line, Said, Waiting, Wrong, counted, html, saveAs, useAct, useEffect, useLoad, useState } from "../parts.js";
import { JoinLink } from "./join-link.js";
import { LINES, Pages } from "../pages.js";

const LOOK_AGAIN_MS = 10_000; // our choice: files come in over days
const STATES = { expected: "nothing in yet", present: "partly in", heard: "in", absent: "absent", withdrawn: "withdrawn", "no-show": "no-show", late: "late" };

/** @param {any} plan */
export const planText = (plan) =>
  plan ? `by the students, until ${plan.due_text}${plan.grace_min ? `, ${plan.grace_min} minutes of grace` : ""}; ${plan.per_candidate ? `${plan.per_candidate} adjudicators hear each candidate` : "the whole panel hears everybody"}` : "in the room";

/** @param {string} moment @param {string} zone @returns {string} for a control of date and time, on the zone's clocks */
function onClock(moment, zone) {
  const parts = new Intl.DateTimeFormat("sv-SE", { timeZone: zone, dateStyle: "short", timeStyle: "short" }).format(new Date(moment));
  return parts.replace(" ", "T").slice(0, 16);
}

/** @param {{round: any, onChange: () => Promise<void>}} props */
export function HandingInPlan({ round, onChange }) {
  const act = useAct();
  const plan = round.handing_in;
  const [due, setDue] = useState(plan ? onClock(plan.due_at, plan.zone) : "");
  const [zone, setZone] = useState(plan?.zone ?? Intl.DateTimeFormat().resolvedOptions().timeZone);
  const [grace, setGrace] = useState(String(plan?.grace_min ?? 15));
  const [each, setEach] = useState(plan?.per_candidate ? String(plan.per_candidate) : "");
  const [said, setSaid] = useState("");
  const drawn = round.state === "drawn";
  const send = (body, words) =>
    act.run(async () => {
      await call("PUT", `/api/rounds/${round.id}/handing-in`, body);
      await onChange();
      setSaid(words);
    });
  const save = (event) => {
    event.preventDefault();
    void send({ due, zone: zone.trim(), grace_min: Number(grace), per_candidate: each.trim() ? Number(each) : null }, "Kept.");
  };
  return html`<details open=${Boolean(plan) && !drawn}><summary>Recorded ${planText(plan)}</summary>
    <form onSubmit=${save}>
      <p>Instead of coming to a room, students can hand their own takes in behind a link of their own. The panel hears them together, after the deadline.</p>
      <div class="row start">
        <${Line} label="Hand in until" type="datetime-local" value=${due} onValue=${setDue} required short />
        <${Line} label="on the clocks of" value=${zone} onValue=${setZone} required maxlength="64" hint="A time zone such as America/Chicago. Students also see it on their own clocks." />
      </div>
      ${drawn
        ? html`<p class="soft small">This round is drawn: the deadline can still be put later.</p>`
        : html`<div class="row start">
            <${Line} label="Grace, in minutes" type="number" min="0" max="1440" value=${grace} onValue=${setGrace} short hint="For files that are on their way at the deadline." />
            <${Line} label="Adjudicators for each candidate" type="number" min="2" value=${each} onValue=${setEach}
              hint="Empty: the whole panel hears everybody. Fewer share the work by a balanced design; then only the severity-adjusted rule is fair." />
          </div>`}
      <${Wrong}>${act.error}<//>
      <${Said}>${said}<//>
      <div class="deeds"><${Deed} type="submit" busy=${act.busy} why=${due ? "" : "Set the day and time first."}>${drawn ? "Put the deadline later" : "Keep this"}<//>
        ${plan && !drawn ? html`<${Deed} kind="plain" busy=${act.busy} onClick=${() => send({ due: null }, "This round is recorded in the room.")}>Record in the room after all<//>` : null}</div>
    </form>
  </details>`;
}

/** @param {{round: any, onChange: () => Promise<void>}} props */
export function HandingInBoard({ round, onChange }) {
  const shares = useLoad(() => call("GET", `/api/rounds/${round.id}/shares`), [round.id]);
  const act = useAct();
  const [said, setSaid] = useState("");
  const [asking, setAsking] = useState("");
  useEffect(() => {
    const timer = setInterval(() => {
      if (!document.hidden) void shares.reload();
    }, LOOK_AGAIN_MS);
    return () => clearInterval(timer);
  }, [round.id]);
  const shown = shares.data;
  if (!shown) return shares.error ? html`<${Wrong}>${shares.error}<//>` : html`<${Waiting} />`;
  const plan = round.handing_in;
  const over = Date.now() >= new Date(plan.closes_at).getTime();
  const save = (path, name, words) =>
    act.run(async () => {
      saveAs(path.includes("links") ? await fetchPosted(path) : await fetchBlob(path), name);
      setSaid(words);
    });
  const links = (missing) => save(`/api/rounds/${round.id}/hand-in-links.csv?missing=${missing}`, "links to hand in.csv", "The table is saved. The links in it are known nowhere else; earlier links of the same people no longer work.");
  return html`
    <p class="next" role="status">${shown.complete} of ${counted(shown.candidates, "candidate")} ${shown.complete === 1 ? "has" : "have"} handed in everything${shown.partly ? `, ${shown.partly} a part` : ""}${shown.absent ? `; ${shown.absent} absent or withdrawn` : ""}. Deadline: ${plan.due_text}.</p>
    <${Wrong}>${act.error || shares.error}<//>
    <${Said}>${said}<//>
    ${shown.rule_refusal ? html`<div class="notice wrong"><p>${shown.rule_refusal}</p></div>` : null}
    ${round.state === "drawn"
      ? html`<div class="deeds">
          <${Deed} busy=${act.busy} onClick=${() => setAsking("links")}>Save links for everybody, CSV<//>
          <${Deed} busy=${act.busy} onClick=${() => setAsking("missing")}>Save links for who is missing, CSV<//>
          <${Deed} busy=${act.busy} onClick=${() => save(`/api/rounds/${round.id}/reminders.csv`, "reminders.csv", "The table names who has not handed in everything.")}>Save who to remind, CSV<//>
          ${!shown.handed_in_at || shown.waiting ? html`<${Deed} kind="deed" onClick=${() => setAsking("close")} why=${over ? "" : "The deadline and its grace are not over yet."}>${shown.handed_in_at ? "Take in who came since" : "Close the handing in"}<//>` : null}
        </div>`
      : null}
    ${shown.design ? html`<p>${shown.design.sentence}</p>` : null}
    ${shown.handed_in_at
      ? html`<${Panel} round=${round} shown=${shown} onChange=${shares.set} />`
      : html`<p class="soft">The panel of ${shown.panel} hears nothing before the handing in is closed.</p>`}
    <${People} round=${round} onChange=${shares.reload} />
    ${asking === "links" || asking === "missing"
      ? html`<${Ask} title="Make fresh links?" sentences=${["Links sent earlier to the same people stop working. The table holds names and links: send each student only their own line."]}
          deed="Make links and save the table" onClose=${() => setAsking("")} onDo=${() => links(asking === "missing")} />`
      : null}
    ${asking === "close"
      ? html`<${Ask} title="Close the handing in?" sentences=${["Who has not handed in every piece is marked absent, which is not a zero; more time can still be given to one of them with a reason.", "All others are assigned to adjudicators by the design, and their takes come up together."]}
          deed="Close and assign" onClose=${() => setAsking("")}
          onDo=${async () => {
            shares.set(await call("POST", `/api/rounds/${round.id}/handing-in/close`));
            await onChange();
          }} />`
      : null}`;
}

/** @param {{round: any, shown: any, onChange: (shown: any) => void}} props */
function Panel({ round, shown, onChange }) {
  const [leaving, setLeaving] = useState(/** @type {any} */ (null));
  return html`<h3>Panel</h3>
    <div class="table"><table class="cards"><thead><tr><th>Adjudicator</th><th>Share</th><th>Sent</th><th>Begun</th><th><span class="seen-by-ear">What to do</span></th></tr></thead><tbody>
      ${shown.adjudicators.map(
        (one) => html`<tr><th scope="row">${one.letter}</th><td data-label="Share">${one.to_hear}</td><td data-label="Sent">${one.sent}</td><td data-label="Begun">${one.begun}</td>
          <td class="act">${round.state === "drawn" && one.to_hear > one.sent ? html`<${Deed} kind="plain" label=${`Give the rest of ${one.letter}'s share to others`} onClick=${() => setLeaving(one)}>Give the rest to others<//>` : null}</td></tr>`,
      )}
    </tbody></table></div>
    ${leaving
      ? html`<${Ask} title=${`Give the rest of ${leaving.letter}'s share to others?`} sentences=${[`Sheets that ${leaving.letter} has sent stay; drafts are dropped. The others get the rest so that the design still hangs together.`]}
          reason="Why" deed="Hand over" onClose=${() => setLeaving(null)}
          onDo=${async (reason) => onChange(await call("POST", `/api/rounds/${round.id}/shares/hand-over`, { adjudicator_id: leaving.adjudicator_id, reason }))} />`
      : null}`;
}

/** @param {{round: any, onChange: () => Promise<void>}} props */
function People({ round, onChange }) {
  const [find, setFind] = useState("");
  const [missing, setMissing] = useState(true);
  const [offset, setOffset] = useState(0);
  const [link, setLink] = useState(/** @type {any} */ (null));
  const [late, setLate] = useState(/** @type {any} */ (null));
  const [due, setDue] = useState("");
  const act = useAct();
  const lines = useLoad(() => call("GET", `/api/rounds/${round.id}/handing-in?${new URLSearchParams({ find, missing: String(missing), offset: String(offset), limit: String(LINES) })}`), [round.id, find, missing, offset]);
  const shown = lines.data;
  const from = (set) => (value) => {
    setOffset(0);
    set(value);
  };
  return html`<h3>Students</h3>
    <form role="search" class="row start" onSubmit=${(/** @type {Event} */ event) => event.preventDefault()}>
      <${Line} label="Find by name, school or number" type="search" value=${find} onValue=${from(setFind)} maxlength="100" />
      <${Check} label="Only who has not handed in everything" checked=${missing} onValue=${from(setMissing)} />
    </form>
    <${Wrong}>${act.error || lines.error}<//>
    ${shown && shown.total === 0 ? html`<p class="soft" role="status">${find ? "Nobody is found by that." : missing ? "Nobody is missing." : "Nobody is in this round."}</p>` : null}
    ${shown?.lines.length
      ? html`<div class="table"><table class="cards"><thead><tr><th>Name</th><th>School</th><th>Number</th><th>State</th><th>Deadline</th><th><span class="seen-by-ear">What to do</span></th></tr></thead><tbody>
          ${shown.lines.map(
            (one) => html`<tr><th scope="row">${one.name}</th><td data-label="School">${one.school}</td><td data-label="Number">${one.blind_number}</td>
              <td data-label="State">${STATES[one.state] ?? one.state}${one.has_link ? "" : ", no link"}</td><td data-label="Deadline">${one.due_text}${one.more_time ? " (more time)" : ""}</td>
              <td class="act">${round.state === "drawn" && one.state !== "heard" && one.state !== "withdrawn"
                ? html`<${Deed} kind="plain" label=${`New link for ${one.name}`} busy=${act.busy} onClick=${() => act.run(async () => { setLink(await call("POST", `/api/candidates/${one.candidate_id}/hand-in-link`)); await lines.reload(); })}>New link<//>
                    <${Deed} kind="plain" label=${`More time for ${one.name}`} onClick=${() => setLate(one)}>More time<//>`
                : null}</td></tr>`,
          )}
        </tbody></table></div>
        <${Pages} total=${shown.total} offset=${offset} limit=${LINES} onOffset=${setOffset} what="student" />`
      : null}
    ${link ? html`<${JoinLink} title="Link to hand in" kind="hand-in" link=${link} onClose=${() => setLink(null)} />` : null}
    ${late
      ? html`<${Ask} title=${`More time for ${late.name}?`} sentences=${[`On the clocks of ${round.handing_in.zone}. Number ${late.blind_number} may hand in until then; the reason is kept with the record.`]}
          reason="Why" deed="Give more time" onClose=${() => setLate(null)}
          onDo=${async (reason) => {
            await call("POST", `/api/candidates/${late.candidate_id}/more-time`, { due: due || null, reason });
            await Promise.all([lines.reload(), onChange()]);
          }}><${Line} label="Hand in until" type="datetime-local" value=${due} onValue=${setDue} required short /><//>`
      : null}`;
}
