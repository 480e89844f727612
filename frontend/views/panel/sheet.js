/** One number: the player beside the adjudication sheet. Drafts are safe with every tap. */

import { ApiError, call } from "../../core/api.js";
import { dropDraft, readDraft, writeDraft } from "../../core/drafts.js";
import { newId } from "../../core/ids.js";
import { emptySheet, openSentence, stillOpen, withMark } from "../../core/marks.js";
import * as outbox from "../../core/outbox.js";
import { FindingsView } from "../findings.js";
import { Ask, Deed, Line, Waiting, Wrong, dateText, html, useAct, useEffect, useFocusHere, useLoad, useRef, useState } from "../parts.js";
import { MarkRow } from "./mark-row.js";
import { Music } from "./music.js";
import { Player, panelSource } from "./player.js";
import { Remarks } from "./remarks.js";

const AGREED_AFTER = "Mark this take first, as you will mark the others. Once your sheet is sent you see what was agreed. It counts for nobody.";
const NO_BARS = "The practice take has no bar marks; hear it as a whole.";
const NO_NOTATION = "This piece has no notation here, so there are no bars to go to.";
const SEND_DRAFT_AFTER_MS = 1200; // our choice: after the last tap
const NOTHING_WRITTEN = { text: "", bar: null };

/** @param {number} ms */
const timeText = (ms) => new Date(ms).toLocaleTimeString(undefined, { hour: "2-digit", minute: "2-digit", second: "2-digit" });

/** @param {any} version */
const contentOf = (version) => ({ marks: version.marks ?? {}, remarks: version.remarks ?? [] });

/**
 * @param {{panel: any, candidate: any, token: string | null, owner: string, waits: boolean, said: string, onChange: () => Promise<void>}} props
 *   waits: the sheet is in the outbox; said: what is wrong already stands above
 */
export function CandidateSheet({ panel, candidate, token, owner, waits, said, onChange }) {
  const id = candidate.candidate_id;
  const path = `/api/panel/candidates/${id}/sheet`;
  const stored = useLoad(() => call("GET", path, undefined, { token }), [id, candidate.state, waits]);
  const perPiece = panel.scored_per !== "candidate";
  // The practice take is of one piece, whatever the round hears.
  const pieces = (panel.pieces ?? []).filter((one) => !candidate.practice || (candidate.takes ?? []).some((take) => take.piece_id === one.piece_id));
  const called = candidate.practice ? "Practice take" : `Number ${candidate.blind_number}`;
  const places = perPiece ? pieces.map((piece) => ({ place: piece.piece_id, title: piece.title })) : [{ place: "all", title: "the whole performance" }];
  const [pieceId, setPieceId] = useState(pieces[0]?.piece_id ?? "");
  const [draft, setDraft] = useState(() => readDraft(owner, id));
  const [correcting, setCorrecting] = useState(Boolean(draft?.correcting));
  const [recusing, setRecusing] = useState(false);
  const [sendingOpen, setSendingOpen] = useState(false);
  const [sounding, setSounding] = useState(/** @type {string | null} */ (null));
  /** @type {{current: ((bar: string) => void) | null}} */
  const jump = useRef(null);
  const act = useAct();
  const timer = useRef(0);
  const versions = stored.data?.versions ?? [];
  const latest = versions[versions.length - 1] ?? null;
  const sent = candidate.state === "sent" || Boolean(latest);
  const locked = (sent || waits) && !correcting;
  const marks = useFocusHere(locked);
  const piece = pieces.find((one) => one.piece_id === pieceId) ?? pieces[0] ?? null;
  const place = perPiece ? (piece?.piece_id ?? "all") : "all";
  const take = (candidate.takes ?? []).find((one) => one.piece_id === piece?.piece_id) ?? null;

  // What the server has counts only where this tablet has nothing newer of its own.
  useEffect(() => {
    if (!stored.data || sent) return;
    const local = readDraft(owner, id);
    const remote = stored.data.draft;
    if ((!local || local.sent) && remote && stored.data.state === "draft") {
      const adopted = { ...local, content: contentOf(remote), at: local?.at ?? Date.now(), sent: true };
      writeDraft(owner, id, adopted);
      setDraft(adopted);
    } else if (local && !local.sent) sendDraftSoon(local);
  }, [stored.data]);

  const sendDraftSoon = (made) => {
    clearTimeout(timer.current);
    if (made.correcting) return;
    timer.current = setTimeout(async () => {
      try {
        await call("PUT", `${path}/draft`, made.content, { token });
        const now = readDraft(owner, id);
        if (now && now.at === made.at) {
          const kept = { ...now, sent: true };
          writeDraft(owner, id, kept);
          setDraft(kept);
        }
      } catch (error) {
        // The draft is safe on this tablet; the next tap or the next opening sends it again.
        if (!(error instanceof ApiError)) throw error;
      }
    }, SEND_DRAFT_AFTER_MS);
  };
  const content = locked && latest ? contentOf(latest) : (draft?.content ?? emptySheet());
  const written = draft?.written ?? NOTHING_WRITTEN;
  const reason = draft?.reason ?? "";
  const edit = (next, stillWritten = written) => {
    const made = { ...readDraft(owner, id), content: next, at: Date.now(), sent: false, correcting, written: stillWritten };
    writeDraft(owner, id, made);
    setDraft(made);
    sendDraftSoon(made);
  };
  /** What is being typed is as safe as a mark, but it is no part of the sheet yet. @param {Partial<import("../../core/drafts.js").Draft>} change */
  const note = (change) => {
    const made = { content, at: Date.now(), sent: true, correcting, ...readDraft(owner, id), ...change };
    writeDraft(owner, id, made);
    setDraft(made);
  };
  const write = (change) => note({ written: { ...(readDraft(owner, id)?.written ?? NOTHING_WRITTEN), ...change } });
  const chooseBar = (bar) => {
    jump.current?.(bar);
    if (!locked) write({ bar });
  };
  const open = stillOpen(panel.rubric, places, content);
  const toFirstOpen = () => {
    if (perPiece && open[0].place !== place) setPieceId(open[0].place);
    setTimeout(() => document.getElementById(`mark-${open[0].caption}-1`)?.focus(), 50);
  };
  /** @param {string} why of a correction, or of marks that stay open */
  const putInOutbox = async (why) => {
      clearTimeout(timer.current);
      const versionId = newId();
      // A remark that was typed and not added is meant all the same.
      const last = written.text.trim() ? [{ piece_id: piece?.piece_id ?? null, bar: written.bar, text: written.text.trim() }] : [];
      const whole = { ...content, remarks: [...content.remarks, ...last] };
      const body = { version_id: versionId, ...whole, reason: why };
      await outbox.put({ id: versionId, owner, candidate_id: id, label: called.toLowerCase(), path: `${path}/${correcting ? "correct" : "submit"}`, body });
      // From here the box holds the sheet; the draft stays to look at until the server's version is there.
      const inBox = { content: whole, at: Date.now(), sent: true };
      writeDraft(owner, id, inBox);
      setDraft(inBox);
      setCorrecting(false);
      await onChange();
  };
  const submit = () => act.run(() => putInOutbox(reason.trim()));
  const beginCorrection = () => {
    const made = { content: contentOf(latest), at: Date.now(), sent: false, correcting: true };
    writeDraft(owner, id, made);
    setDraft(made);
    setCorrecting(true);
  };
  const leaveCorrection = () => {
    dropDraft(owner, id);
    setDraft(null);
    setCorrecting(false);
  };
  if (candidate.state === "recused") {
    return html`<section id="number" tabindex="-1"><h2>Number ${candidate.blind_number}</h2><p class="next">You are recused for this number: you don't score it, and nothing counts against it.</p></section>`;
  }
  if (candidate.state === "away") {
    return html`<section id="number" tabindex="-1"><h2>Number ${candidate.blind_number}</h2><p class="next">You are noted as away for this number, so nothing is expected of you. If you were there, tell the section leader.</p></section>`;
  }
  const savedText = draft ? `Saved on this tablet at ${timeText(draft.at)}` : "";
  const whyNotSend = correcting && !reason.trim() ? "Write why you correct the sheet." : "";
  return html`
    <section id="number" tabindex="-1" aria-label=${`${called}, take and remarks`}>
      <div class="above"><h2>${called}</h2>
        <span class="soft">${piece ? [piece.title, barsText(piece), restartText(candidate.restarts?.[piece.piece_id])].filter(Boolean).join(", ") : ""}</span></div>
      ${candidate.practice && !sent ? html`<p>${AGREED_AFTER}</p>` : null}
      ${pieces.length > 1
        ? html`<div class="pieces" role="group" aria-label="Piece">${pieces.map((one) => {
            const left = perPiece && !locked ? open.filter((mark) => mark.place === one.piece_id).length : 0;
            return html`<button type="button" aria-pressed=${one === piece ? "true" : "false"} onClick=${() => { setPieceId(one.piece_id); if (written.bar) write({ bar: null }); }}>${one.title}${left ? html`<span class="state">${left} open</span>` : null}</button>`;
          })}</div>`
        : null}
      ${take
        ? html`<${Player} key=${take.take_id} take=${take} source=${panelSource(take, token)} jump=${jump} onSounding=${setSounding} noBars=${candidate.practice ? NO_BARS : piece?.bars?.length ? undefined : NO_NOTATION} onBar=${locked ? undefined : (bar) => write({ bar })} />`
        : html`<p>No recording of this piece is up yet. You may mark while you listen in the room.</p>`}
      ${piece?.bars?.length ? html`<${Music} key=${piece.piece_id} piece=${piece} token=${token} chosen=${locked ? null : written.bar} sounding=${sounding} onBar=${chooseBar} />` : null}
      <${Remarks} remarks=${content.remarks} piece=${piece} pieces=${pieces} locked=${locked} owner=${owner} written=${written} onWrite=${write}
        onRemarks=${(remarks, left) => edit({ ...content, remarks }, left)} />
      ${sent && !correcting && !candidate.practice ? html`<${PanelFindings} candidate=${candidate} pieces=${pieces} token=${token} />` : null}
    </section>
    <section aria-label=${`${called}, marks`} tabindex="-1" ref=${marks}>
      ${perPiece && pieces.length > 1 ? html`<h2>${piece?.title}</h2>` : null}
      ${locked ? null : html`<p class="soft small">Touch a mark; touch it again to take it back.</p>`}
      ${panel.rubric.captions.map(
        (caption) => html`<${MarkRow} key=${`${place}-${caption.key}`} name=${`${id}-${place}-${caption.key}`} rubric=${panel.rubric} caption=${caption} mark=${content.marks[place]?.[caption.key]} locked=${locked}
          onMark=${(mark) => edit(withMark(content, place, caption.key, mark))} />`,
      )}
      <${Wrong}>${act.error}<//>
      <${Wrong}>${stored.error && stored.error !== said && !stored.error.startsWith("The server does not answer") ? stored.error : ""}<//>
      ${correcting ? html`<${Line} label="Why do you correct this sheet?" value=${reason} onValue=${(why) => note({ reason: why })} maxlength="300" />` : null}
      <div class="end">
        <span class="soft small" role="status">${
          waits
            ? "This sheet waits on this tablet and is sent by itself."
            : locked
              ? latest
                ? `Sent ${dateText(latest.submitted_at)}${versions.length > 1 ? `, version ${latest.version ?? versions.length}` : ""}. It is locked.`
                : "Sent. It is locked."
              : savedText || "Nothing is marked yet."
        }</span>
        ${locked
          ? latest && !waits && !candidate.practice
            ? html`<${Deed} onClick=${beginCorrection}>Correct this sheet<//>`
            : stored.loading && !waits ? html`<${Waiting} />` : null
          : open.length
            ? html`<button type="button" class="deed" aria-disabled="true" onClick=${toFirstOpen}>${openSentence(open, perPiece && pieces.length > 1)}</button>`
            : html`<${Deed} kind="deed" busy=${act.busy} why=${whyNotSend} onClick=${submit}>${correcting ? "Send the correction" : "Send this sheet"}<//>`}
        ${correcting ? html`<button type="button" class="plain" onClick=${leaveCorrection}>Leave it as it was sent</button>` : null}
      </div>
      ${stored.data?.agreed ? html`<${Agreed} rubric=${panel.rubric} agreed=${stored.data.agreed} own=${content.marks[place] ?? {}} />` : null}
      ${!locked && open.length ? html`<p><button type="button" class="plain" onClick=${() => setSendingOpen(true)}>Send with marks left open</button></p>` : null}
      ${!sent && !waits && !candidate.practice ? html`<${Deed} kind="plain" onClick=${() => setRecusing(true)}>I know who this is, or must not score this number<//>` : null}
      ${versions.length > 1 ? html`<details><summary>Earlier versions</summary><ul class="plain lined">${versions.slice(0, -1).map((version) => html`<li class="small">Version ${version.version}, ${dateText(version.submitted_at)}${version.reason ? `: ${version.reason}` : ""}</li>`)}</ul></details>` : null}
    </section>
    ${sendingOpen
      ? html`<${Ask} title="Send this sheet with marks left open?" sentences=${[`${openSentence(open, perPiece && pieces.length > 1)}. What is open stays missing; it never counts as zero.`]} reason="Why marks stay open" deed="Send it so"
          onClose=${() => setSendingOpen(false)} onDo=${putInOutbox} />`
      : null}
    ${recusing
      ? html`<${Ask} title=${`Recuse yourself from number ${candidate.blind_number}?`} sentences=${["Your marks for this number stay missing; they never count as zero. The section leader is told, without a name."]} deed="Recuse me" onClose=${() => setRecusing(false)}
          onDo=${async () => {
            await call("POST", `${path}/recuse`, {}, { token });
            dropDraft(owner, id);
            await onChange();
          }} />`
      : null}`;
}

/** @param {any} piece */
function barsText(piece) {
  const bars = piece.bars ?? [];
  if (bars.length < 2) return "";
  const number = (bar) => (typeof bar === "object" ? bar.number : bar);
  return `bars ${number(bars[0])}–${number(bars[bars.length - 1])}`;
}

/** What was agreed on the practice take, beside the own marks. @param {{rubric: any, agreed: any, own: Record<string, number>}} props */
const Agreed = ({ rubric, agreed, own }) => html`<h3>What was agreed</h3>
  <div class="table"><table><thead><tr><th>Caption</th><th class="right">Agreed</th><th class="right">Yours</th></tr></thead>
    <tbody>${rubric.captions.map(
      (caption) => html`<tr><th scope="row">${caption.name}</th><td class="right">${agreed.marks[caption.key] ?? "—"}</td><td class="right">${own[caption.key] ?? "—"}</td></tr>`,
    )}</tbody></table></div>
  ${agreed.note ? html`<p>${agreed.note}</p>` : null}
  <p class="soft small">Set your ears by it: the same playing should get about the same mark from everyone. No measurements of it are shown: ears are set by ears here.</p>`;

/** @param {{candidate: any, pieces: any[], token: string | null}} props */
function PanelFindings({ candidate, pieces, token }) {
  const [shownId, setShownId] = useState("");
  return html`<h3>What was measured</h3>
    <p class="soft small">Shown because your sheet is sent. Where it differs from your ears, your ears may be right.</p>
    <div class="deeds">${(candidate.takes ?? []).map(
      (take) => html`<button type="button" aria-expanded=${shownId === take.take_id ? "true" : "false"} onClick=${() => setShownId(shownId === take.take_id ? "" : take.take_id)}>${pieces.find((piece) => piece.piece_id === take.piece_id)?.title ?? "Take"}</button>`,
    )}</div>
    ${shownId ? html`<${OneFindings} key=${shownId} takeId=${shownId} token=${token} />` : null}`;
}

/** @param {{takeId: string, token: string | null}} props */
function OneFindings({ takeId, token }) {
  const findings = useLoad(() => call("GET", `/api/panel/takes/${takeId}/findings`, undefined, { token }), [takeId]);
  return html`<${Wrong}>${findings.error}<//>${findings.data ? html`<${FindingsView} answer=${findings.data} />` : findings.error ? null : html`<${Waiting} />`}`;
}

/** @param {number | undefined} count @returns {string} only where it was declared that the panel is told */
function restartText(count) {
  if (!count) return "";
  return count === 1 ? "begun again once" : `begun again ${count} times`;
}
