/** The engraved music of a piece, kept on this device so that bars can be tapped without a network. */

import { openDB } from "../vendor/idb.js";
import { ApiError, call } from "./api.js";

/** @typedef {{bar: string, left: number, top: number, right: number, bottom: number}} PrintedBar in units of the picture's view box */
/** @typedef {{svg: string, bars: PrintedBar[]}} Music */

const database = openDB("fairhearing-music", 1, {
  upgrade(db) {
    db.createObjectStore("music", { keyPath: "piece_id" });
  },
});

/**
 * From the server or, without a network, as it was last seen.
 * @param {string} pieceId
 * @param {string | null} token
 * @returns {Promise<Music>}
 */
export async function loadMusic(pieceId, token) {
  try {
    const music = await call("GET", `/api/panel/pieces/${pieceId}/music`, undefined, { token });
    // A full disk must not keep the music from being shown now.
    await (await database).put("music", { piece_id: pieceId, ...music }).catch((error) => console.warn("The music is not kept.", error.name));
    return music;
  } catch (error) {
    const kept = error instanceof ApiError && error.passing ? await (await database).get("music", pieceId) : null;
    if (kept) return kept;
    throw error;
  }
}

/**
 * The bar at a place of the picture; where the reach of two lines overlaps, the nearer line's.
 * @param {PrintedBar[]} bars
 * @param {number} x
 * @param {number} y
 * @returns {PrintedBar | null}
 */
export function barAtPlace(bars, x, y) {
  const away = (/** @type {PrintedBar} */ bar) => Math.abs(y - (bar.top + bar.bottom) / 2);
  const under = bars.filter((bar) => bar.left <= x && x <= bar.right && bar.top <= y && y <= bar.bottom);
  return under.sort((one, other) => away(one) - away(other))[0] ?? null;
}
