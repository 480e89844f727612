/** Set-up: the students, by form or from a table. */

import { call, callPage } from "../../core/api.js";
import { LINES, Pages, Search, usePages } from "../pages.js";
import { Ask, Check, Choice, Deed, Field, Line, Said, Waiting, Wrong, counted, dateText, html, saveAs, useAct, useLoad, useState } from "../parts.js";

const FEW = 25; // our choice: so many are found by looking
const EMPTY = { name: "", school: "", teacher: "", year: "", consent_on: "", consent_by: "", accommodation: "", extra_time_percent: 0, enlarged_music: false };

/**
 * The form of one student; used for a new one and for changes.
 * @param {{first: any, instruments: {key: string, name: string}[], deed: string, onSave: (values: any) => Promise<unknown>, again?: boolean, onCancel?: () => void}} props
 */
function StudentForm({ first, instruments, deed, onSave, again = false, onCancel }) {
  const act = useAct();
  const [form, setForm] = useState(first);
  const set = (key) => (value) => setForm((before) => ({ ...before, [key]: value }));
  const submit = (event) => {
    event.preventDefault();
    const entry = event.currentTarget;
    void act.run(async () => {
      await onSave({ ...form, name: form.name.trim(), consent_on: form.consent_on || null });
      if (again) {
        setForm((before) => ({ ...EMPTY, instrument: before.instrument, school: before.school, teacher: before.teacher }));
        entry.querySelector("input")?.focus();
      }
    });
  };
  return html`<form onSubmit=${submit}>
    <div class="row start">
      <${Line} label="Name" value=${form.name} onValue=${set("name")} required maxlength="160" />
      <${Choice} label="Instrument" value=${form.instrument} onValue=${set("instrument")} options=${instruments} />
    </div>
    <div class="row start">
      <${Line} label="School" value=${form.school} onValue=${set("school")} maxlength="160" />
      <${Line} label="Teacher" value=${form.teacher} onValue=${set("teacher")} maxlength="160" hint="An adjudicator of this name is proposed as recused." />
      <${Line} label="Year" value=${form.year} onValue=${set("year")} maxlength="20" short />
    </div>
    <div class="row start">
      <${Line} label="Consent given on" type="date" value=${form.consent_on} onValue=${set("consent_on")} short />
      <${Line} label="by" value=${form.consent_by} onValue=${set("consent_by")} maxlength="160" />
      <${Line} label="Accommodation" value=${form.accommodation} onValue=${set("accommodation")} maxlength="300" hint="Seen by the proctor, never by the panel." />
    </div>
    <div class="row start">
      <${Line} label="More time, in percent" type="number" min="0" max="300" value=${form.extra_time_percent} onValue=${(/** @type {string} */ value) => set("extra_time_percent")(Number(value))} short hint="Of study time and of the time in the room." />
      <${Check} label="Enlarged music" checked=${form.enlarged_music} onValue=${set("enlarged_music")} />
    </div>
    <${Wrong}>${act.error}<//>
    <div class="deeds"><${Deed} type="submit" kind="deed" busy=${act.busy}>${deed}<//>
      ${onCancel ? html`<button type="button" onClick=${onCancel}>Leave it as it is</button>` : null}</div>
  </form>`;
}

/** @param {{audition: any, columns: {key: string, holds: string, example: string, needed: boolean}[], onAdded: () => Promise<void>}} props */
function FromTable({ audition, columns, onAdded }) {
  const act = useAct();
  const [file, setFile] = useState(/** @type {File | null} */ (null));
  const [keepGood, setKeepGood] = useState(true);
  const [result, setResult] = useState(/** @type {any} */ (null));
  const submit = (event) => {
    event.preventDefault();
    if (!file) return;
    setResult(null);
    void act.run(async () => {
      const form = new FormData();
      form.append("file", file);
      setResult(await call("POST", `/api/auditions/${audition.id}/roster/csv?keep_good=${keepGood}`, form));
      await onAdded();
    });
  };
  const pattern = () =>
    saveAs(new Blob(["\ufeff", columns.map((column) => column.key).join(","), "\r\n"], { type: "text/csv" }), "roster.csv");
  return html`<form onSubmit=${submit}>
    <p>A CSV table with a line of column names, in any order; then a line for each student. <${Deed} kind="plain" onClick=${pattern}>Save an empty table<//></p>
    <details><summary>The columns</summary>
      <div class="table"><table class="cards"><thead><tr><th>Column</th><th>What it holds</th><th>For example</th></tr></thead><tbody>
        ${columns.map((column) => html`<tr><th scope="row">${column.key}${column.needed ? html` <span class="soft small">needed</span>` : null}</th><td>${column.holds}</td><td data-label="For example">${column.example}</td></tr>`)}
      </tbody></table></div>
    </details>
    <${Field} label="CSV table">
      <input type="file" accept=".csv,text/csv,text/plain" onChange=${(event) => { setFile(event.currentTarget.files[0] ?? null); setResult(null); }} />
    <//>
    <${Check} label="Keep the good lines even when others are rejected" checked=${keepGood} onValue=${setKeepGood} />
    <${Wrong}>${act.error}<//>
    <${Deed} type="submit" kind="deed" busy=${act.busy} why=${file ? "" : "Choose a table first."}>Read the table<//>
    <div role="status">
      ${result
        ? html`<div class="notice"><p>${result.added ? `${counted(result.added, "student")} added.` : "Nothing was added."}
            ${result.ignored_columns?.length ? ` Not used: ${result.ignored_columns.join(", ")}.` : ""}
            ${result.rejected.length ? ` ${counted(result.rejected.length, "line")} rejected:` : ""}</p></div>
            ${result.rejected.length
              ? html`<div class="table"><table><thead><tr><th>Line</th><th>What is wrong</th></tr></thead><tbody>
                  ${result.rejected.map((line) => html`<tr><td>${line.line}</td><td>${line.sentence}</td></tr>`)}
                </tbody></table></div>`
              : null}`
        : null}
    </div>
  </form>`;
}

/** @param {any} entry @returns {string} what the proctor must know of this student */
const needs = (entry) =>
  [entry.accommodation, entry.extra_time_percent ? `${entry.extra_time_percent} % more time` : "", entry.enlarged_music ? "enlarged music" : ""].filter(Boolean).join(" · ");

/** @param {{audition: any, defaults: any, reload: () => Promise<void>}} props */
export function RosterSetup({ audition, defaults, reload }) {
  const pages = usePages();
  const roster = useLoad(() => callPage(`/api/auditions/${audition.id}/roster`, { find: pages.find, offset: pages.offset, limit: LINES }), [audition.id, pages.find, pages.offset]);
  const [changing, setChanging] = useState("");
  const [removing, setRemoving] = useState(/** @type {any} */ (null));
  const [said, setSaid] = useState("");
  const names = Object.fromEntries(defaults.instruments.map((one) => [one.key, one.name]));
  const refresh = async () => {
    await Promise.all([roster.reload(), reload()]);
  };
  const list = roster.data?.lines ?? [];
  const act = useAct();
  const withdraw = (entry) =>
    act.run(async () => {
      await call("PATCH", `/api/entries/${entry.entry_id}`, { withdrawn: !entry.withdrawn });
      setSaid(entry.withdrawn ? `${entry.name} is in again.` : `${entry.name} is withdrawn.`);
      await refresh();
    });
  return html`<h2>Roster</h2>
    <p>Names stay with you and the proctor. The panel only ever sees numbers.</p>
    <${Wrong}>${roster.error || act.error}<//>
    <${Said}>${said}<//>
    ${roster.loading && !roster.data ? html`<${Waiting} />` : null}
    ${audition.counts.entries > FEW || pages.find ? html`<${Search} label="Find by name, school or teacher" pages=${pages} />` : null}
    ${roster.data && list.length === 0 && pages.find ? html`<p class="soft" role="status">Nobody is found by that.</p>` : null}
    ${roster.data && list.length === 0 && !pages.find ? html`<p class="next">No student is on the roster yet. Add them one by one, or all at once from a table.</p>` : null}
    ${list.length
      ? html`<div class="table"><table class="cards">
          <thead><tr><th>Name</th><th>Instrument</th><th>School</th><th>Teacher</th><th>Consent</th><th><span class="seen-by-ear">What to do</span></th></tr></thead>
          <tbody>
            ${list.map((entry) =>
              changing === entry.entry_id
                ? html`<tr><td colspan="6"><${StudentForm}
                    first=${{ ...EMPTY, ...entry, consent_on: entry.consent_on ?? "" }}
                    instruments=${defaults.instruments}
                    deed="Save"
                    onCancel=${() => setChanging("")}
                    onSave=${async ({ entry_id: _id, student_id: _student, withdrawn: _withdrawn, ...changes }) => {
                      await call("PATCH", `/api/entries/${entry.entry_id}`, changes);
                      setChanging("");
                      await refresh();
                    }} /></td></tr>`
                : html`<tr>
                    <th scope="row">${entry.name}${entry.withdrawn ? html` <span class="soft">withdrawn</span>` : null}
                      ${needs(entry) ? html`<br /><span class="soft small">${needs(entry)}</span>` : null}</th>
                    <td>${names[entry.instrument] ?? entry.instrument}</td>
                    <td data-label="School">${entry.school}</td>
                    <td data-label="Teacher">${entry.teacher}</td>
                    <td data-label="Consent">${entry.consent_on ? dateText(entry.consent_on) : "not yet"}</td>
                    <td class="act">
                      <${Deed} kind="plain" label=${`Change ${entry.name}`} onClick=${() => setChanging(entry.entry_id)}>Change<//>
                      <${Deed} kind="plain" label=${`${entry.withdrawn ? "Take back" : "Withdraw"} ${entry.name}`} onClick=${() => withdraw(entry)}>${entry.withdrawn ? "Take back" : "Withdraw"}<//>
                      <${Deed} kind="plain" label=${`Remove ${entry.name}`} onClick=${() => setRemoving(entry)}>Remove<//>
                    </td>
                  </tr>`,
            )}
          </tbody>
        </table></div>
        <${Pages} total=${roster.data?.total ?? 0} offset=${pages.offset} limit=${LINES} onOffset=${pages.setOffset} what="student" />`
      : null}
    <h3>Add a student</h3>
    <${StudentForm}
      first=${{ ...EMPTY, instrument: "clarinet-bb" }}
      instruments=${defaults.instruments}
      deed="Add this student"
      again
      onSave=${async (values) => {
        await call("POST", `/api/auditions/${audition.id}/roster`, values);
        setSaid(`${values.name} is on the roster.`);
        await refresh();
      }}
    />
    <h3>Or from a table</h3>
    <${FromTable} audition=${audition} columns=${defaults.roster_columns} onAdded=${refresh} />
    ${removing
      ? html`<${Ask}
          title=${`Remove ${removing.name}?`}
          sentences=${["The line leaves the roster. A student who is in a draw already can only be withdrawn."]}
          deed="Remove from the roster"
          onClose=${() => setRemoving(null)}
          onDo=${async () => {
            await call("DELETE", `/api/entries/${removing.entry_id}`);
            await refresh();
          }}
        />`
      : null}`;
}
