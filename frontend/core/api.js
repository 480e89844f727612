/**
 * The one door to the server. Every failure becomes an {@link ApiError} that carries a sentence for a person.
 *
 * The leader's browser is known by its cookie; a tablet sends the token it got when it joined.
 */

/** A request that did not succeed. */
export class ApiError extends Error {
  /**
   * @param {string} sentence what is wrong and what to do
   * @param {{status?: number, code?: string, facts?: Record<string, unknown>}} [more] status 0: nothing came back
   */
  constructor(sentence, more = {}) {
    super(sentence);
    this.name = "ApiError";
    this.sentence = sentence;
    this.status = more.status ?? 0;
    this.code = more.code ?? "no_answer";
    this.facts = more.facts ?? {};
  }

  /** Whether trying the same request again later may succeed. */
  get passing() {
    return this.status === 0 || this.status === 408 || this.status === 429 || this.status >= 500;
  }
}

const BROKEN_OFF = "The connection broke off before everything was here. Check the network and ask again.";
const NO_ANSWER = "The server does not answer. What you entered stays on this screen; check the network and try again.";

/**
 * @param {number} status
 * @param {string} text body of the answer
 * @returns {ApiError}
 */
export function errorFromAnswer(status, text) {
  try {
    const envelope = JSON.parse(text).error;
    if (envelope && typeof envelope.sentence === "string") {
      return new ApiError(envelope.sentence, { status, code: envelope.code, facts: envelope.facts });
    }
  } catch (error) {
    if (!(error instanceof SyntaxError)) throw error;
  }
  if (status === 502 || status === 503 || status === 504) {
    return new ApiError("The server can't do this just now. Wait a moment and try again.", { status, code: "unavailable" });
  }
  return new ApiError(`The server answered with an error (${status}). Try again; if it stays so, tell the section leader.`, {
    status,
    code: "error",
  });
}

/** @typedef {{token?: string | null, headers?: Record<string, string>, signal?: AbortSignal, keepalive?: boolean}} CallOptions */

/**
 * @param {string} method
 * @param {string} path begins with "/api/"
 * @param {unknown} [body] plain values (sent as JSON), FormData, or bytes
 * @param {CallOptions} [options]
 * @returns {Promise<any>} the JSON of the answer, or null when it has no body
 */
export async function call(method, path, body, options = {}) {
  const answer = await ask(method, path, body, options);
  const text = await answer.text();
  return text === "" ? null : JSON.parse(text);
}

/**
 * A page of a long list, and how many lines there are in all.
 * @param {string} path
 * @param {Record<string, string | number | boolean | string[]>} query offset, limit and what the list is searched by
 * @returns {Promise<{lines: any[], total: number}>}
 */
export async function callPage(path, query) {
  const words = new URLSearchParams(Object.entries(query).flatMap(([key, value]) => [value].flat().map((one) => [key, String(one)])));
  const answer = await ask("GET", `${path}?${words}`, undefined, {});
  return { lines: await answer.json(), total: Number(answer.headers.get("X-Total-Count")) };
}

/**
 * @param {string} path
 * @param {CallOptions} [options]
 * @returns {Promise<string>}
 */
export async function fetchText(path, options = {}) {
  return (await ask("GET", path, undefined, options)).text();
}

/**
 * @param {string} path
 * @param {CallOptions} [options]
 * @returns {Promise<Blob>}
 */
export async function fetchBlob(path, options = {}) {
  return (await ask("GET", path, undefined, options)).blob();
}

/**
 * A file that is made by asking for it.
 * @param {string} path
 * @param {CallOptions} [options]
 * @returns {Promise<Blob>}
 */
export async function fetchPosted(path, options = {}) {
  return (await ask("POST", path, undefined, options)).blob();
}

/**
 * A request whose answer comes line by line, each a JSON value, while the server works.
 * @param {string} method
 * @param {string} path
 * @param {(value: any) => void} onLine
 * @param {CallOptions} [options]
 * @returns {Promise<any>} the last line; an error's envelope there is thrown
 */
export async function callLines(method, path, onLine, options = {}) {
  const answer = await ask(method, path, undefined, options);
  const reader = /** @type {ReadableStream<Uint8Array>} */ (answer.body).getReader();
  const decoder = new TextDecoder();
  let text = "";
  let last = null;
  for (let ended = false; !ended; ) {
    const { value, done } = await reader.read().catch(() => {
      throw new ApiError(BROKEN_OFF);
    });
    ended = done;
    text += decoder.decode(value, { stream: !done });
    const lines = text.split("\n");
    text = lines.pop() ?? "";
    for (const line of lines) {
      last = JSON.parse(line);
      if (last.error) throw new ApiError(last.error.sentence, { status: answer.status, code: last.error.code, facts: last.error.facts });
      onLine(last);
    }
  }
  return last;
}

/**
 * @param {string} method
 * @param {string} path
 * @param {unknown} body
 * @param {CallOptions} options
 * @returns {Promise<Response>}
 */
async function ask(method, path, body, { token, headers: more, signal, keepalive }) {
  /** @type {Record<string, string>} */
  const headers = { Accept: "application/json, */*", ...more };
  if (token) headers.Authorization = `Bearer ${token}`;
  /** @type {BodyInit | undefined} */
  let payload;
  if (body instanceof FormData) payload = body;
  else if (body instanceof ArrayBuffer) {
    headers["Content-Type"] = "application/octet-stream";
    payload = body;
  } else if (body !== undefined) {
    headers["Content-Type"] = "application/json";
    payload = JSON.stringify(body);
  }
  let answer;
  try {
    answer = await fetch(path, { method, headers, body: payload, signal, keepalive, cache: "no-store" });
  } catch (error) {
    if (error instanceof DOMException && error.name === "AbortError") throw error;
    throw new ApiError(NO_ANSWER);
  }
  if (!answer.ok) throw errorFromAnswer(answer.status, await answer.text());
  return answer;
}

/**
 * Send a form with progress, which `fetch` does not tell.
 * @param {string} path
 * @param {FormData} form
 * @param {{token?: string | null, onProgress?: (share: number) => void}} [options] share from 0 to 1
 * @returns {Promise<any>}
 */
export function upload(path, form, { token, onProgress } = {}) {
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open("POST", path);
    request.setRequestHeader("Accept", "application/json");
    if (token) request.setRequestHeader("Authorization", `Bearer ${token}`);
    request.upload.onprogress = (event) => {
      if (onProgress && event.lengthComputable) onProgress(event.loaded / event.total);
    };
    request.onerror = () => reject(new ApiError(NO_ANSWER));
    request.onload = () => {
      if (request.status >= 200 && request.status < 300) resolve(JSON.parse(request.responseText || "null"));
      else reject(errorFromAnswer(request.status, request.responseText));
    };
    request.send(form);
  });
}
