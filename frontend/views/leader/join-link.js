/** A link that is shown once, with its code to scan: a tablet's one-time link, or a student's private one. */

import { dateText, Dialog, Drawing, Deed, html, useAct, useState, Wrong } from "../parts.js";

/** @param {{title: string, link: {url: string, qr_svg: string, expires_at: string, secure?: {url: string, qr_svg: string} | null}, kind?: "join" | "private" | "hand-in", onClose: () => void}} props */
export function JoinLink({ title, link, kind = "join", onClose }) {
  const act = useAct();
  const [copied, setCopied] = useState(false);
  const [secure, setSecure] = useState(false);
  const shown = secure && link.secure ? link.secure : link;
  const show = (which) => {
    setSecure(which);
    setCopied(false);
  };
  const copy = () =>
    act.run(async () => {
      await navigator.clipboard.writeText(shown.url);
      setCopied(true);
    });
  return html`<${Dialog} title=${title} onClose=${onClose}>
    <p>${
      kind === "join"
        ? `Scan this code with the tablet, or open the link on it. It works once${link.expires_at ? `, until ${dateText(link.expires_at)}` : ""}.`
        : kind === "hand-in"
          ? `The student opens the link, again and again until ${dateText(link.expires_at.slice(0, 10))}. It takes this student's recordings in and shows no results.`
          : `The student scans this code, or opens the link. It works again and again until ${dateText(link.expires_at.slice(0, 10))}; whoever has it sees this student's results.`
    } It is shown only now: a new one can be made at any time.</p>
    <${Drawing} kind="qr" svg=${shown.qr_svg} label="Code of the link" />
    <p class="hash">${shown.url}</p>
    ${link.secure
      ? html`<div class="deeds" role="group" aria-label="Which address">
            <button type="button" aria-pressed=${secure ? "false" : "true"} onClick=${() => show(false)}>For any device</button>
            <button type="button" aria-pressed=${secure ? "true" : "false"} onClick=${() => show(true)}>For a device that trusts this server</button>
          </div>
          <p class="soft small">${secure ? "With microphone, and without network after the first visit." : "It leads to the page on which a device learns to trust this server; until then there is no microphone."}</p>`
      : null}
    <${Wrong}>${act.error}<//>
    <div class="deeds">
      ${navigator.clipboard ? html`<${Deed} onClick=${copy} busy=${act.busy}>${copied ? "Copied" : "Copy the link"}<//>` : null}
      <button type="button" class="deed" onClick=${onClose}>Done</button>
    </div>
  <//>`;
}
