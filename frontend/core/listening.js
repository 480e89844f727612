/** Hears pitches through the microphone: the audio thread gathers, a worker estimates, nothing is kept. */

import { openSound } from "./recorder.js";

const HOP = 2048; // samples between two pitches: about 23 a second; our choice

/** @typedef {import("./tones.js").Frame} Frame */

/**
 * @param {(frame: Frame) => void} onFrame
 * @param {(sentence: string) => void} onTrouble
 * @returns {Promise<() => void>} stops listening and gives the microphone back
 */
export async function listen(onFrame, onTrouble) {
  const { stream, context, source } = await openSound();
  const worker = new Worker(new URL("./pitch-worker.js", import.meta.url), { type: "module" });
  const node = new AudioWorkletNode(context, "fairhearing-gatherer", {
    numberOfInputs: 1,
    numberOfOutputs: 0,
    channelCount: 2,
    channelCountMode: "max",
    channelInterpretation: "discrete",
    processorOptions: { chunkFrames: HOP, channel: 0 },
  });
  let stopped = false;
  const stop = () => {
    if (stopped) return;
    stopped = true;
    node.port.postMessage({ kind: "close" });
    source.disconnect();
    worker.terminate();
    for (const track of stream.getTracks()) track.stop();
    void context.close();
  };
  node.port.onmessage = ({ data }) => {
    if (data.kind === "chunk" && data.pcm.byteLength) worker.postMessage({ pcm: data.pcm, sampleRate: context.sampleRate }, [data.pcm]);
  };
  worker.onmessage = ({ data }) => {
    if (!stopped) onFrame(data);
  };
  worker.onerror = () => {
    stop();
    onTrouble("Listening stopped: this browser can't work out pitches. A current Firefox, Chromium, Edge or Safari can.");
  };
  stream.getAudioTracks()[0].onended = () => {
    stop();
    onTrouble("The microphone went away. Plug it in and listen again.");
  };
  source.connect(node);
  await context.resume();
  node.port.postMessage({ kind: "record", from: 0 });
  return stop;
}
