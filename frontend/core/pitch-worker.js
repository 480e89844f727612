/** Works beside the page: sound in, pitches out, so that neither drawing nor hearing has to wait. */

import { WINDOW, pitchOf } from "./pitch.js";

let sound = new Float32Array(WINDOW);
let frames = 0;

/** @param {MessageEvent<{pcm: ArrayBuffer, sampleRate: number}>} event */
self.onmessage = ({ data: { pcm, sampleRate } }) => {
  const fresh = new Float32Array(pcm);
  const next = new Float32Array(WINDOW);
  next.set(sound.subarray(fresh.length));
  next.set(fresh, WINDOW - fresh.length);
  sound = next;
  frames += fresh.length;
  let power = 0;
  for (const sample of fresh) power += sample * sample;
  const heard = frames >= WINDOW ? pitchOf(sound, sampleRate) : null;
  // The middle of the window is what the pitch is of.
  self.postMessage({ sec: (frames - WINDOW / 2) / sampleRate, hz: heard?.hz ?? null, rms: Math.sqrt(power / fresh.length) });
};
