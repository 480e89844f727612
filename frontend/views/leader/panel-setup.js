/** Set-up: adjudicators, their join links, recusals, and the tablets that have joined. */

import { call, callPage } from "../../core/api.js";
import { LINES, Pages, usePages } from "../pages.js";
import { Ask, Choice, Deed, Line, Said, Waiting, Wrong, dateText, html, useAct, useLoad, useState } from "../parts.js";
import { JoinLink } from "./join-link.js";
import { StudentChoice } from "./student-choice.js";

/** @param {{audition: any, reload: () => Promise<void>}} props */
export function PanelSetup({ audition, reload }) {
  const base = `/api/auditions/${audition.id}`;
  const panel = useLoad(() => call("GET", `${base}/adjudicators`), [audition.id]);
  const recusals = useLoad(() => call("GET", `${base}/recusals`), [audition.id]);
  const pages = usePages();
  const proposed = useLoad(() => callPage(`${base}/recusals/proposed`, { offset: pages.offset, limit: LINES }), [audition.id, pages.offset]);
  const tablets = useLoad(() => call("GET", `${base}/tablets`), [audition.id]);
  const act = useAct();
  const [name, setName] = useState("");
  const [link, setLink] = useState(/** @type {any} */ (null));
  const [asking, setAsking] = useState(/** @type {any} */ (null));
  const [said, setSaid] = useState("");
  const adjudicators = panel.data ?? [];
  const declared = recusals.data ?? [];
  const open = (proposed.data?.lines ?? []).filter(
    (one) => !declared.some((done) => done.adjudicator_id === one.adjudicator_id && done.entry_id === one.entry_id),
  );
  const refresh = async () => {
    await Promise.all([panel.reload(), recusals.reload(), proposed.reload(), tablets.reload(), reload()]);
  };
  const nameOf = (id) => {
    const found = adjudicators.find((one) => one.id === id);
    return found ? `${found.letter}, ${found.name}` : "an adjudicator";
  };
  const add = (event) => {
    event.preventDefault();
    void act.run(async () => {
      const made = await call("POST", `${base}/adjudicators`, { name: name.trim() });
      setName("");
      setSaid(`${made.name} is adjudicator ${made.letter}.`);
      await refresh();
    });
  };
  const declare = (one) =>
    act.run(async () => {
      await call("POST", `${base}/recusals`, { adjudicator_id: one.adjudicator_id, entry_id: one.entry_id, reason: one.reason ?? "" });
      await refresh();
    });
  return html`<h2>Panel</h2>
    <p>Adjudicators hear numbers, never names; on the students' sheets they stand as letters.</p>
    <${Wrong}>${panel.error || recusals.error || act.error}<//>
    <${Said}>${said}<//>
    ${panel.loading && !panel.data ? html`<${Waiting} />` : null}
    ${panel.data && adjudicators.length === 0 ? html`<p class="next">Nobody is on the panel yet. Three or more adjudicators make a result that says how sure it is.</p>` : null}
    ${adjudicators.length
      ? html`<ul class="plain lined">
          ${adjudicators.map(
            (one) => html`<li class="above">
              <span><strong>${one.letter}</strong> ${" "} ${one.name}${one.joined ? html` <span class="soft">joined</span>` : null}</span>
              <span>
                <${Deed} label=${`Join link for adjudicator ${one.letter}`} onClick=${() => act.run(async () => setLink({ title: `Join link for adjudicator ${one.letter}, ${one.name}`, ...(await call("POST", `/api/adjudicators/${one.id}/link`)) }))}>Join link<//>
                <${Deed} kind="plain" label=${`Remove adjudicator ${one.letter}`} onClick=${() =>
                  setAsking({
                    title: `Remove ${one.name} from the panel?`,
                    sentences: ["An adjudicator who has sent sheets can't be removed."],
                    deed: "Remove from the panel",
                    onDo: async () => {
                      await call("DELETE", `/api/adjudicators/${one.id}`);
                      await refresh();
                    },
                  })}>Remove<//>
              </span>
            </li>`,
          )}
        </ul>`
      : null}
    <form onSubmit=${add} class="row start">
      <${Line} label="Name of an adjudicator" value=${name} onValue=${setName} required maxlength="120" />
      <div class="cell"><${Deed} type="submit" kind="deed" busy=${act.busy}>Add to the panel<//></div>
    </form>

    <h3>Recording room</h3>
    <p>The proctor knows who stands behind which number, records, and never scores.</p>
    <div class="deeds">
      <${Deed} onClick=${() => act.run(async () => setLink({ title: "Join link for the recording room", ...(await call("POST", `${base}/proctor-link`)) }))}>Join link for the recording room<//>
    </div>

    <h3>Recusals</h3>
    <p>An adjudicator does not score an own pupil or a relative. The cell stays missing; it never counts as zero.</p>
    ${open.length
      ? html`<div class="notice"><p>By the teacher column of the roster these look like own pupils:</p>
          <ul class="plain">${open.map(
            (one) => html`<li class="above"><span>${nameOf(one.adjudicator_id)} and ${one.student_name}</span>
              <${Deed} onClick=${() => declare(one)} busy=${act.busy} label=${`Recuse ${nameOf(one.adjudicator_id)} for ${one.student_name}`}>Recuse<//></li>`,
          )}</ul>
          <${Pages} total=${proposed.data?.total ?? 0} offset=${pages.offset} limit=${LINES} onOffset=${pages.setOffset} what="proposal" /></div>`
      : null}
    ${declared.length
      ? html`<ul class="plain lined">${declared.map(
          (one) => html`<li class="above"><span>${nameOf(one.adjudicator_id)} does not score ${one.student_name}${one.reason ? html` <span class="soft">(${one.reason})</span>` : null}</span>
            <${Deed} kind="plain" label=${`Take back the recusal of ${nameOf(one.adjudicator_id)} for ${one.student_name}`} onClick=${() =>
              act.run(async () => {
                await call("DELETE", `/api/recusals/${one.id}`);
                await refresh();
              })}>Take back<//></li>`,
        )}</ul>`
      : recusals.data
        ? html`<p class="soft">No recusal is declared.</p>`
        : null}
    ${adjudicators.length && audition.counts.entries
      ? html`<${RecusalForm} audition=${audition} adjudicators=${adjudicators} onDeclare=${declare} busy=${act.busy} />`
      : html`<p class="soft">Recusals can be declared once the panel and the roster have names.</p>`}

    <h3>Tablets and links</h3>
    ${(tablets.data ?? []).length
      ? html`<ul class="plain lined">${tablets.data.map(
          (one) => html`<li class="above"><span>${one.label || (one.role === "proctor" ? "Recording room" : "Adjudicator")} <span class="soft">${tabletText(one)}</span></span>
            ${one.state === "in use" || one.state === "waiting"
              ? html`<${Deed} kind="plain" label=${one.state === "waiting" ? `Withdraw the link of ${one.label}` : `Shut out ${one.label}`} onClick=${() =>
                  setAsking({
                    title: one.state === "waiting" ? "Withdraw this link?" : "Shut this tablet out?",
                    sentences: [one.state === "waiting" ? "Nobody can join by it any more." : "It can't send anything more until it joins again by a new link. What it has sent stays."],
                    deed: one.state === "waiting" ? "Withdraw the link" : "Shut it out",
                    onDo: async () => {
                      await call("DELETE", `/api/tablets/${one.token_id}`);
                      await tablets.reload();
                    },
                  })}>${one.state === "waiting" ? "Withdraw" : "Shut out"}<//>`
              : null}</li>`,
        )}</ul>`
      : html`<p class="soft">None yet. Make a join link above and scan it with the tablet.</p>`}
    ${link ? html`<${JoinLink} title=${link.title} link=${link} onClose=${() => { setLink(null); void tablets.reload(); }} />` : null}
    ${asking ? html`<${Ask} ...${asking} onClose=${() => setAsking(null)} />` : null}`;
}

/** @param {any} tablet */
function tabletText(tablet) {
  if (tablet.state === "waiting") return `link waits to be used, until ${dateText(tablet.expires_at)}`;
  if (tablet.state === "in use") return `joined ${dateText(tablet.created_at)}`;
  return tablet.state === "withdrawn" ? "shut out" : "expired";
}

/** @param {{audition: any, adjudicators: any[], onDeclare: (one: any) => Promise<boolean>, busy: boolean}} props */
function RecusalForm({ audition, adjudicators, onDeclare, busy }) {
  const [adjudicator, setAdjudicator] = useState(adjudicators[0].id);
  const [entry, setEntry] = useState(/** @type {any} */ (null));
  const [reason, setReason] = useState("");
  const submit = async (event) => {
    event.preventDefault();
    if (!entry) return;
    if (await onDeclare({ adjudicator_id: adjudicator, entry_id: entry.entry_id, reason: reason.trim() })) {
      setEntry(null);
      setReason("");
    }
  };
  return html`<form onSubmit=${submit} class="row start">
    <${Choice} label="Adjudicator" value=${adjudicator} onValue=${setAdjudicator} options=${adjudicators.map((one) => ({ key: one.id, name: `${one.letter}, ${one.name}` }))} />
    <${StudentChoice} audition=${audition} label="does not score" chosen=${entry} onChosen=${setEntry} />
    <${Line} label="Reason" value=${reason} onValue=${setReason} maxlength="300" />
    <div class="cell"><${Deed} type="submit" busy=${busy} why=${entry ? "" : "Choose a student first."}>Declare<//></div>
  </form>`;
}
