/** Students' private links: one at a time with a code to scan, or all at once as slips to print. */

import { ApiError, call, callPage, fetchPosted } from "../../core/api.js";
import { Ask, Deed, Said, Wrong, dateText, html, saveAs, useAct, useLoad, useState } from "../parts.js";
import { JoinLink } from "./join-link.js";

/** @type {Record<string, (until: string) => string>} */
const WORDS = {
  none: () => "no link yet",
  "in use": (until) => `works until ${until}`,
  withdrawn: () => "withdrawn",
  expired: (until) => `too old since ${until}`,
};

/** @param {{round: any, rows: any[]}} props `rows`: the page of numbers and names whose links are shown */
export function PrivateLinks({ round, rows }) {
  const address = `/api/rounds/${round.id}/student-links`;
  const states = useLoad(async () => {
    if (!rows.length) return { lines: [], working: 0 };
    const [of, working] = await Promise.all([
      callPage(address, { candidate_id: rows.map((row) => row.candidate_id) }),
      callPage(address, { only_in_use: true, limit: 1 }),
    ]);
    return { lines: of.lines, working: working.total };
  }, [address, rows.map((row) => row.candidate_id).join()]);
  const act = useAct();
  const [asked, setAsked] = useState(/** @type {any} */ (null));
  const [link, setLink] = useState(/** @type {any} */ (null));
  const [said, setSaid] = useState("");
  const byCandidate = new Map((states.data?.lines ?? []).map((one) => [one.candidate_id, one]));
  const working = states.data?.working ?? 0;
  const printAll = async () => {
    saveAs(await fetchPosted(`/api/rounds/${round.id}/student-links.pdf`), `private links ${round.name}.pdf`);
    setSaid("The slips are saved. Print them, cut them apart, and delete the file: it opens every student's page.");
    await states.reload();
  };
  const make = (row) =>
    act.run(async () => {
      const made = await call("POST", `/api/candidates/${row.candidate_id}/student-link`);
      if (!made?.url) throw new ApiError("The link was not made. Try again.");
      setLink({ ...made, title: `Private link of number ${row.blind_number}` });
      await states.reload();
    });
  const withdraw = async (row) => {
    await call("DELETE", `/api/candidates/${row.candidate_id}/student-link`);
    await states.reload();
  };
  const withdrawAll = async () => {
    await call("DELETE", `/api/rounds/${round.id}/student-links`);
    await states.reload();
  };
  const askAll = () =>
    working
      ? setAsked({ title: "Make new slips for everybody", sentences: [`${working} of these students have a link that works. New slips make the old ones useless.`], deed: "Make new slips", onDo: printAll })
      : void act.run(printAll);
  return html`
    <h2>Private links</h2>
    <p>A private link opens one student's own page on their own device: the sheet, the take with the marked part, and practice. Whoever holds the link sees that student's results, so hand each slip to its student only.</p>
    <div class="deeds">
      <${Deed} onClick=${askAll} busy=${act.busy}>Save slips for everybody, PDF<//>
      ${working ? html`<${Deed} onClick=${() => setAsked({ title: "Withdraw every private link", sentences: ["Every student's page of this round closes at once. New links can be made at any time."], deed: "Withdraw all", onDo: withdrawAll })}>Withdraw all<//>` : null}
    </div>
    <${Wrong}>${act.error || states.error}<//><${Said}>${said}<//>
    <ul class="plain lined">${rows.map((row) => {
      const state = byCandidate.get(row.candidate_id);
      const until = state?.expires_at ? dateText(state.expires_at.slice(0, 10)) : "";
      const works = state?.state === "in use";
      const ask = () => (works ? setAsked({ title: `New link for number ${row.blind_number}`, sentences: ["The link this student has now stops working."], deed: "Make a new link", onDo: async () => void (await make(row)) }) : void make(row));
      return html`<li class="above"><span><strong class="number">${row.blind_number}</strong> ${row.name ?? ""} <span class="soft">${state ? WORDS[state.state]?.(until) : ""}</span></span>
        <span class="deeds">
          <${Deed} onClick=${ask} label=${`${works ? "New link" : "Make the link"} of number ${row.blind_number}`}>${works ? "New link" : "Make the link"}<//>
          ${works ? html`<${Deed} onClick=${() => setAsked({ title: `Withdraw the link of number ${row.blind_number}`, sentences: ["This student's page closes at once."], deed: "Withdraw", onDo: () => withdraw(row) })} label=${`Withdraw the link of number ${row.blind_number}`}>Withdraw<//>` : null}
        </span></li>`;
    })}</ul>
    ${asked ? html`<${Ask} ...${asked} onClose=${() => setAsked(null)} />` : null}
    ${link ? html`<${JoinLink} title=${link.title} link=${link} kind="private" onClose=${() => setLink(null)} />` : null}`;
}
