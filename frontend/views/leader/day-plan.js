/** The plan of a round's day: times, breaks, lateness, restarts, the script. */

import { call } from "../../core/api.js";
import { Check, Choice, Deed, Line, Said, Wrong, html, typedNumber, useAct, useState } from "../parts.js";
import { clockText, momentOf } from "../day-text.js";

const LATE = [
  { key: "end", name: "plays at the end of the list" },
  { key: "keep", name: "keeps the place, or plays next" },
  { key: "not-heard", name: "is not heard" },
];
const RESTARTS = [
  { key: "none", name: "no piece may be begun again" },
  { key: "one", name: "each piece may be begun again once" },
  { key: "any", name: "pieces may be begun again; it is counted" },
];

/** @param {{audition: any, round: any, plan: any, suggested: number | null, onDone: () => Promise<void>}} props */
export function DayPlan({ audition, round, plan, suggested, onDone }) {
  const act = useAct();
  const [said, setSaid] = useState("");
  const [form, setForm] = useState(() => ({
    starts: plan ? clockText(plan.starts_at, plan.starts_at) : "09:00",
    minutes: String(plan?.minutes ?? suggested ?? 8),
    change: String(plan?.change_minutes ?? 1),
    warmUp: String(plan?.warm_up_minutes ?? 10),
    checkIn: String(plan?.check_in_minutes ?? 30),
    late: plan?.late_rule ?? "end",
    study: String(plan?.study_sec ?? 30),
    restarts: plan?.restarts ?? "none",
    panelSees: plan?.panel_sees_restarts ?? false,
    script: (plan?.script ?? []).join("\n"),
    pauses: /** @type {{clock: string, minutes: string, what: string}[]} */ (
      (plan?.pauses ?? []).map((one) => ({ clock: clockText(one.at, plan.starts_at), minutes: String(one.minutes), what: one.what }))
    ),
  }));
  const set = (/** @type {string} */ key) => (/** @type {any} */ value) => {
    setSaid("");
    setForm((before) => ({ ...before, [key]: value }));
  };
  const setPause = (/** @type {number} */ at, /** @type {any} */ change) => set("pauses")(form.pauses.map((one, i) => (i === at ? { ...one, ...change } : one)));
  const moment = (/** @type {string} */ clock) =>
    plan ? plan.starts_at.replace(/T\d\d:\d\d(:\d\d)?/, `T${clock}:00`) : momentOf(audition.held_on, clock);
  const submit = (/** @type {Event} */ event) => {
    event.preventDefault();
    void act.run(async () => {
      await call("PUT", `/api/rounds/${round.id}/day`, {
        starts_at: moment(form.starts),
        minutes: typedNumber(form.minutes, "Minutes in the room"),
        change_minutes: typedNumber(form.change, "Minutes between candidates"),
        warm_up_minutes: typedNumber(form.warmUp, "Minutes for warming up"),
        check_in_minutes: typedNumber(form.checkIn, "Minutes before check-in closes"),
        late_rule: form.late,
        study_sec: typedNumber(form.study, "Study time"),
        restarts: form.restarts,
        panel_sees_restarts: form.panelSees,
        script: form.script.split("\n").map((line) => line.trim()).filter(Boolean),
        pauses: form.pauses.map((one) => ({ at: moment(one.clock), minutes: typedNumber(one.minutes, "Minutes of a break"), what: one.what })),
      });
      setSaid("The day is planned.");
      await onDone();
    });
  };
  return html`<details open=${!plan}>
    <summary>${plan ? `Plan: from ${clockText(plan.starts_at, plan.starts_at)}, ${plan.minutes} minutes each` : "Plan this day"}</summary>
    <form onSubmit=${submit}>
      <div class="row">
        <${Line} label="Begins at" type="time" value=${form.starts} onValue=${set("starts")} required short />
        <${Line} label="Minutes in the room" value=${form.minutes} onValue=${set("minutes")} inputmode="decimal" short />
        <${Line} label="Minutes between candidates" value=${form.change} onValue=${set("change")} inputmode="decimal" short />
        <${Line} label="Minutes for warming up" value=${form.warmUp} onValue=${set("warmUp")} inputmode="decimal" short />
        <${Line} label="Check-in closes, minutes before" value=${form.checkIn} onValue=${set("checkIn")} inputmode="decimal" short />
        <${Line} label="Seconds to study sight-reading" value=${form.study} onValue=${set("study")} inputmode="numeric" short />
      </div>
      ${suggested ? html`<p class="hint">By the music and the script a candidate takes about ${suggested} minutes.</p>` : null}
      <${Choice} label="Who comes late" value=${form.late} onValue=${set("late")} options=${LATE} />
      <${Choice} label="Beginning again" value=${form.restarts} onValue=${set("restarts")} options=${RESTARTS} hint="Fixed, like the rule for lateness, once the first take is in." />
      <${Check} label="The panel sees how often a piece was begun again" checked=${form.panelSees} onValue=${set("panelSees")} />
      <fieldset>
        <legend>Breaks</legend>
        ${form.pauses.map(
          (one, at) => html`<div class="row start">
            <${Line} label="At" type="time" value=${one.clock} onValue=${(clock) => setPause(at, { clock })} required short />
            <${Line} label="Minutes" value=${one.minutes} onValue=${(minutes) => setPause(at, { minutes })} inputmode="numeric" short />
            <${Line} label="What for" value=${one.what} onValue=${(what) => setPause(at, { what })} maxlength="80" />
            <div class="cell"><${Deed} kind="plain" label=${`Leave out the break at ${one.clock}`} onClick=${() => set("pauses")(form.pauses.filter((_, i) => i !== at))}>Leave out<//></div>
          </div>`,
        )}
        <${Deed} onClick=${() => set("pauses")([...form.pauses, { clock: "12:00", minutes: "30", what: "Break" }])}>Add a break<//>
      </fieldset>
      <div class="field"><label><span>The script, a sentence to a line</span>
        <textarea rows="7" value=${form.script} onInput=${(/** @type {any} */ event) => set("script")(event.currentTarget.value)}></textarea></label>
        <span class="hint">Left empty, the usual script is read. It is the same for every candidate.</span></div>
      <${Wrong}>${act.error}<//><${Said}>${said}<//>
      <${Deed} type="submit" kind="deed" busy=${act.busy}>Keep the plan<//>
    </form>
  </details>`;
}
