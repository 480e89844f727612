/** Small parts every screen is made of. */

import { html, render } from "../vendor/htm-preact.js";
import { useCallback, useEffect, useId, useLayoutEffect, useRef, useState } from "../vendor/hooks.js";
import { ApiError } from "../core/api.js";
import { NewerNote, SecureNote } from "./device-notes.js";

export { html, render, useCallback, useEffect, useId, useRef, useState };

/**
 * What an error says to a person.
 * @param {unknown} error
 * @returns {string}
 */
export function sentenceOf(error) {
  if (error instanceof ApiError) return error.sentence;
  console.error(error);
  return "Something on this screen went wrong. Reload the page; what was saved is kept.";
}

/**
 * Load something and keep it.
 * @template T
 * @param {() => Promise<T>} load
 * @param {unknown[]} on reloads when one of these changes
 * @returns {{data: T | null, error: string, loading: boolean, reload: () => Promise<void>, set: (data: T) => void}}
 */
export function useLoad(load, on) {
  const [state, setState] = useState(/** @type {{data: T | null, error: string, loading: boolean}} */ ({ data: null, error: "", loading: true }));
  const turn = useRef(0);
  const reload = useCallback(async () => {
    const mine = (turn.current += 1);
    setState((before) => ({ ...before, loading: true }));
    try {
      const data = await load();
      if (mine === turn.current) setState({ data, error: "", loading: false });
    } catch (error) {
      if (mine === turn.current) setState((before) => ({ ...before, error: sentenceOf(error), loading: false }));
    }
  }, on);
  useEffect(() => {
    setState({ data: null, error: "", loading: true });
    void reload();
    return () => {
      turn.current += 1;
    };
  }, [reload]);
  return { ...state, reload, set: (data) => setState({ data, error: "", loading: false }) };
}

/**
 * Do one thing at a time and keep its error.
 * @returns {{busy: boolean, error: string, run: (deed: () => Promise<unknown>) => Promise<boolean>, clear: () => void}}
 */
export function useAct() {
  const [busy, setBusy] = useState(false);
  const [error, setError] = useState("");
  const run = async (deed) => {
    setBusy(true);
    setError("");
    try {
      await deed();
      return true;
    } catch (trouble) {
      setError(sentenceOf(trouble));
      return false;
    } finally {
      setBusy(false);
    }
  };
  return { busy, error, run, clear: () => setError("") };
}

/**
 * A number as somebody types it, with a comma or a point.
 * @param {string | number} text
 * @param {string} what named in the sentence when it is none
 * @returns {number}
 */
export function typedNumber(text, what) {
  const value = Number(String(text).trim().replace(",", "."));
  if (String(text).trim() === "" || !Number.isFinite(value)) throw new ApiError(`${what} must be a number, such as 0.2 or 40.`);
  return value;
}

/** @param {{children?: any}} props */
export const Wrong = ({ children }) =>
  children ? html`<div class="notice wrong" role="alert"><p>${children}</p></div>` : null;

/** @param {{children?: any}} props */
export const Said = ({ children }) =>
  html`<div role="status">${children ? html`<div class="notice"><p>${children}</p></div>` : null}</div>`;

/** @param {{what?: string}} props */
export const Waiting = ({ what = "Loading" }) => html`<p class="soft" role="status">${what} …</p>`;

/**
 * A button that says why when it can't act.
 * @param {{onClick: (event: Event) => void, why?: string, showWhy?: boolean, busy?: boolean, kind?: string, type?: string, children?: any, label?: string}} props
 */
export function Deed({ onClick, why = "", showWhy = true, busy = false, kind = "", type = "button", label, children }) {
  const id = useId();
  const off = Boolean(why) || busy;
  return html`<span>
    <button
      type=${type}
      class=${kind}
      aria-label=${label}
      aria-disabled=${off ? "true" : undefined}
      aria-describedby=${why && showWhy ? id : undefined}
      onClick=${(/** @type {Event} */ event) => {
        if (off) event.preventDefault();
        else onClick?.(event);
      }}
    >
      ${busy ? "One moment …" : children}
    </button>
    ${why && showWhy ? html`<span class="why" id=${id}>${why}</span>` : null}
  </span>`;
}

/**
 * A labelled control. The hint is no part of the label; `hintId` lets the control point to it.
 * @param {{label: string, hint?: any, hintId?: string, short?: boolean, children: any}} props
 */
export const Field = ({ label, hint, hintId, short, children }) =>
  html`<div class=${short ? "field short" : "field"}>
    <label><span>${label}</span>${children}</label>
    ${hint ? html`<span class="hint" id=${hintId}>${hint}</span>` : null}
  </div>`;

/**
 * @param {{label: string, value: any, onValue: (value: string) => void, hint?: any, type?: string, short?: boolean} & Record<string, any>} props
 */
export function Line({ label, value, onValue, hint, short, type = "text", ...rest }) {
  const id = useId();
  return html`<${Field} label=${label} hint=${hint} hintId=${id} short=${short}>
    <input type=${type} value=${value ?? ""} aria-describedby=${hint ? id : undefined} onInput=${(event) => onValue(event.currentTarget.value)} ...${rest} />
  <//>`;
}

/**
 * @param {{label: string, value: any, onValue: (value: string) => void, options: {key: string, name: string}[], hint?: any, short?: boolean} & Record<string, any>} props
 */
export function Choice({ label, value, onValue, options, hint, short, ...rest }) {
  const id = useId();
  return html`<${Field} label=${label} hint=${hint} hintId=${id} short=${short}>
    <select value=${value ?? ""} aria-describedby=${hint ? id : undefined} onChange=${(event) => onValue(event.currentTarget.value)} ...${rest}>
      ${options.map((option) => html`<option value=${option.key} selected=${option.key === (value ?? "")}>${option.name}</option>`)}
    </select>
  <//>`;
}

/** @param {{label: any, checked: boolean, onValue: (checked: boolean) => void, disabled?: boolean}} props */
export const Check = ({ label, checked, onValue, disabled }) =>
  html`<label class="check">
    <input type="checkbox" checked=${checked} disabled=${disabled} onChange=${(event) => onValue(event.currentTarget.checked)} />
    <span>${label}</span>
  </label>`;

/**
 * A modal dialog in the browser's own element: focus stays inside, Escape closes.
 * @param {{title: string, onClose: () => void, children: any}} props
 */
export function Dialog({ title, onClose, children }) {
  /** @type {{current: HTMLDialogElement | null}} */
  const box = useRef(null);
  const id = useId();
  const gone = useRef(false);
  // Before the browser paints, and on the way out while the dialog is still in the page.
  useLayoutEffect(() => {
    const dialog = box.current;
    if (dialog && !dialog.open) dialog.showModal();
    return () => {
      // Closed in good order, the browser gives focus back to where it was.
      gone.current = true;
      dialog?.close();
    };
  }, []);
  return html`<dialog ref=${box} aria-labelledby=${id} onClose=${() => gone.current || onClose()}>
    <h2 id=${id}>${title}</h2>
    ${children}
  </dialog>`;
}

/**
 * Ask before a step that can't be undone, with a reason where the step needs one.
 * @param {{title: string, sentences: string[], deed: string, onDo: (reason: string) => Promise<unknown>, onClose: () => void, reason?: string, children?: any}} props
 */
export function Ask({ title, sentences, deed, onDo, onClose, reason, children }) {
  const act = useAct();
  const [text, setText] = useState("");
  const why = reason && text.trim() === "" ? "Write a reason first: it is kept with the record." : "";
  const submit = async (event) => {
    event.preventDefault();
    if (why || act.busy) return;
    if (await act.run(() => onDo(text.trim()))) onClose();
  };
  return html`<${Dialog} title=${title} onClose=${onClose}>
    <form onSubmit=${submit}>
      ${sentences.map((sentence) => html`<p>${sentence}</p>`)}
      ${children}
      ${reason ? html`<${Line} label=${reason} value=${text} onValue=${setText} maxlength="300" />` : null}
      <${Wrong}>${act.error}<//>
      <div class="deeds">
        <${Deed} type="submit" kind="deed" busy=${act.busy} why=${why}>${deed}<//>
        <button type="button" onClick=${onClose}>Leave it as it is</button>
      </div>
    </form>
  <//>`;
}

/**
 * When the control that had focus goes away with a change of state, its place takes the focus over: a keyboard goes on
 * there, and a screen reader says where it is.
 * @param {unknown} state
 * @returns {{current: any}} for the `ref` of the place, which has tabindex -1
 */
export function useFocusHere(state) {
  const place = useRef(null);
  const before = useRef(state);
  useEffect(() => {
    if (before.current === state) return;
    before.current = state;
    if (document.activeElement === document.body) /** @type {HTMLElement | null} */ (place.current)?.focus({ preventScroll: true });
  }, [state]);
  return place;
}

/**
 * The head of a screen.
 * @param {{title: string, about?: any, children?: any}} props
 */
export function Head({ title, about, children }) {
  useEffect(() => {
    document.title = `${title} · Fairhearing`;
  }, [title]);
  return html`<header class="head">
    <h1>${title}</h1>
    <span class="about">${about}</span>
    <span class="state">${children}</span>
  </header>
  <${SecureNote} /><${NewerNote} />`;
}

/**
 * An SVG from the server, put into the page without style sheets, scripts or handlers.
 * @param {{svg: string, label: string, kind?: string, onReady?: (svg: SVGElement) => void, onClick?: (event: Event) => void}} props
 */
export function Drawing({ svg, label, kind = "", onReady, onClick }) {
  /** @type {{current: HTMLElement | null}} */
  const place = useRef(null);
  useEffect(() => {
    const host = place.current;
    if (!host) return;
    host.replaceChildren();
    const root = new DOMParser().parseFromString(svg, "image/svg+xml").documentElement;
    if (root.localName !== "svg") return;
    for (const bad of root.querySelectorAll("style, script, foreignObject")) bad.remove();
    for (const element of [root, ...root.querySelectorAll("*")]) {
      for (const attribute of [...element.attributes]) {
        if (attribute.name === "style" || attribute.name.startsWith("on")) element.removeAttribute(attribute.name);
      }
    }
    if (!root.hasAttribute("viewBox") && root.hasAttribute("width")) {
      // Without it a drawing keeps its own size however large its place is.
      root.setAttribute("viewBox", `0 0 ${parseFloat(root.getAttribute("width") ?? "")} ${parseFloat(root.getAttribute("height") ?? "")}`);
    }
    root.setAttribute("role", "img");
    root.setAttribute("aria-label", label);
    const drawn = /** @type {SVGElement} */ (/** @type {unknown} */ (document.importNode(root, true)));
    host.append(drawn);
    onReady?.(drawn);
  }, [svg, label]);
  // Wide engravings scroll sideways, which the keyboard must be able to do as well.
  const scrolls = kind.startsWith("engraving") ? { tabindex: 0, role: "region", "aria-label": label } : {};
  return html`<div class=${kind} ref=${place} onClick=${onClick} ...${scrolls}></div>`;
}

/**
 * @param {string | null | undefined} iso
 * @returns {string} a date or time as people of this browser's language write it
 */
export function dateText(iso) {
  if (!iso) return "";
  const onlyDate = /^\d{4}-\d\d-\d\d$/.test(iso);
  const when = new Date(onlyDate ? `${iso}T12:00:00` : iso);
  return onlyDate
    ? when.toLocaleDateString(undefined, { day: "numeric", month: "long", year: "numeric" })
    : when.toLocaleString(undefined, { day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit", second: "2-digit" });
}

/**
 * @param {number | null | undefined} sec
 * @returns {string} "1:07"
 */
export function clock(sec) {
  if (sec === null || sec === undefined) return "";
  const whole = Math.floor(sec);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

/**
 * @param {number} count
 * @param {string} one
 * @param {string} [many]
 * @returns {string} "1 piece", "no pieces", "3 pieces"
 */
export function counted(count, one, many = `${one}s`) {
  if (!count) return `no ${many}`;
  return `${count} ${count === 1 ? one : many}`;
}

/**
 * Hand the browser a file to save.
 * @param {Blob} blob
 * @param {string} name
 */
export function saveAs(blob, name) {
  const address = URL.createObjectURL(blob);
  const link = document.createElement("a");
  link.href = address;
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(address), 60_000);
}
