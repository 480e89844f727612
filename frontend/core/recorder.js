/**
 * The microphone: as it is, at its own rate, in one channel. What comes in goes to the spool second by second.
 */

import { ApiError } from "./api.js";
import { newId } from "./ids.js";
import * as sending from "./sending.js";
import * as spool from "./spool.js";

const NO_SPACE =
  "This device can't store more: its disk may be full. The recording goes to the server all the same; keep this page open until it is in, then free some space.";
const WORKLET = new URL("./recorder-worklet.js", import.meta.url);

/** @returns {string} why this browser can't record here, "" when it can */
export function whyNoRecording() {
  if (!globalThis.isSecureContext) {
    return "This address is not secure, so the browser gives no microphone. Open this page on the server's own computer at localhost, or over https, or upload a file.";
  }
  if (!navigator.mediaDevices?.getUserMedia || typeof AudioWorkletNode === "undefined") {
    return "This browser can't record. Use a current Firefox, Chromium, Edge or Safari, or upload a file.";
  }
  return "";
}

/** @returns {Promise<{id: string, label: string}[]>} microphones; labels are empty until one was allowed */
export async function microphones() {
  const devices = await navigator.mediaDevices.enumerateDevices();
  return devices
    .filter((device) => device.kind === "audioinput")
    .map((device, index) => ({ id: device.deviceId, label: device.label || `Microphone ${index + 1}` }));
}

/**
 * @param {unknown} error
 * @returns {ApiError}
 */
function microphoneError(error) {
  const name = error instanceof DOMException ? error.name : "";
  if (name === "NotAllowedError") {
    return new ApiError("The browser was not allowed to use the microphone. Allow it in the address bar and try again.");
  }
  if (name === "NotFoundError" || name === "OverconstrainedError") {
    return new ApiError("No microphone was found. Plug one in, or upload a file.");
  }
  if (name === "NotReadableError") {
    return new ApiError("The microphone is in use by another program. Close that program and try again.");
  }
  return new ApiError(`The microphone can't be used: ${error instanceof Error ? error.message : error}`);
}

/**
 * A microphone as it is, at its own rate, with the gatherer ready to be joined to it.
 * @param {string} [deviceId] the browser's own choice when empty
 * @returns {Promise<{stream: MediaStream, context: AudioContext, source: MediaStreamAudioSourceNode}>}
 */
export async function openSound(deviceId) {
  /** @type {MediaStream} */
  let stream;
  try {
    stream = await navigator.mediaDevices.getUserMedia({
      audio: {
        echoCancellation: false,
        noiseSuppression: false,
        autoGainControl: false,
        channelCount: { ideal: 2 },
        ...(deviceId ? { deviceId: { exact: deviceId } } : {}),
      },
    });
  } catch (error) {
    throw microphoneError(error);
  }
  const wanted = stream.getAudioTracks()[0].getSettings().sampleRate;
  let context = new AudioContext(wanted ? { sampleRate: wanted } : {});
  let source;
  try {
    source = context.createMediaStreamSource(stream);
  } catch {
    // Some browsers only join a stream to a context at the context's own rate.
    await context.close();
    context = new AudioContext();
    source = context.createMediaStreamSource(stream);
  }
  await context.audioWorklet.addModule(WORKLET);
  return { stream, context, source };
}

/** Which channel is recorded: the first, the second, or the average of both. */
export const CHANNELS = { first: 0, second: 1, both: -1 };

/** @typedef {{peak: number, peaks: number[], rms: number}} Level linear, 1 is full scale; `peaks` of each channel, `peak` and `rms` of what is recorded */

/**
 * An open microphone: hears levels at once, records when told.
 */
export class Microphone {
  /**
   * @param {MediaStream} stream
   * @param {AudioContext} context
   * @param {AudioWorkletNode} node
   * @param {number} channel one of {@link CHANNELS}
   */
  constructor(stream, context, node, channel) {
    this.stream = stream;
    this.context = context;
    this.node = node;
    this.channel = channel;
    this.channelsHeard = 1;
    /** @type {(level: Level) => void} */
    this.onLevel = () => {};
    /** @type {(sec: number) => void} seconds that are kept */
    this.onKept = () => {};
    /** @type {(sentence: string) => void} */
    this.onTrouble = () => {};
    /** @type {import("./spool.js").Spooled | null} */
    this.recording = null;
    /** @type {Promise<void>[]} */
    this.writes = [];
    this.seq = 0;
    this.keptFrames = 0;
    this.holes = 0;
    /** @type {() => void} */
    this.lastChunk = () => {};
    /** @type {() => void} */
    this.unlock = () => {};
    node.port.onmessage = ({ data }) => this.hear(data);
    const track = stream.getAudioTracks()[0];
    track.onended = () => this.onTrouble("The microphone went away. What was recorded until then is kept.");
  }

  /**
   * @param {string} [deviceId] the browser's own choice when empty
   * @param {number} [channel] one of {@link CHANNELS}
   * @returns {Promise<Microphone>}
   */
  static async open(deviceId, channel = CHANNELS.first) {
    const { stream, context, source } = await openSound(deviceId);
    const node = new AudioWorkletNode(context, "fairhearing-gatherer", {
      numberOfInputs: 1,
      numberOfOutputs: 0,
      channelCount: 2,
      channelCountMode: "max",
      channelInterpretation: "discrete",
      processorOptions: { chunkFrames: context.sampleRate, channel },
    });
    source.connect(node);
    await context.resume();
    return new Microphone(stream, context, node, channel);
  }

  /** @returns {string[]} what the device does to the sound although it was asked not to */
  get liberties() {
    const settings = this.stream.getAudioTracks()[0].getSettings();
    return [
      settings.echoCancellation ? "echo cancellation" : "",
      settings.noiseSuppression ? "noise suppression" : "",
      settings.autoGainControl ? "automatic gain" : "",
    ].filter(Boolean);
  }

  /** @returns {string} */
  get deviceId() {
    return this.stream.getAudioTracks()[0].getSettings().deviceId ?? "";
  }

  /** @param {number} channel one of {@link CHANNELS} */
  listenTo(channel) {
    this.channel = channel;
    this.node.port.postMessage({ kind: "channel", channel });
  }

  /** @param {any} message from the audio thread */
  hear(message) {
    if (message.kind === "level") {
      /** @type {number[]} */
      const peaks = message.peaks;
      this.channelsHeard = peaks.length;
      const peak = this.channel === CHANNELS.both ? Math.max(...peaks) : peaks[Math.min(this.channel, peaks.length - 1)];
      this.onLevel({ peak, peaks, rms: message.rms });
    } else if (message.kind === "chunk" && this.recording) {
      const recording = this.recording;
      const seq = this.seq;
      this.holes = message.holes;
      if (message.pcm.byteLength > 0) {
        this.seq += 1;
        this.writes.push(this.write(recording, seq, message.pcm));
      }
      if (message.last) this.lastChunk();
    }
  }

  /**
   * @param {import("./spool.js").Spooled} recording
   * @param {number} seq
   * @param {ArrayBuffer} pcm
   */
  async write(recording, seq, pcm) {
    const frames = pcm.byteLength / 4;
    if (!(await spool.addChunk(recording.id, seq, pcm))) this.onTrouble(NO_SPACE);
    this.keptFrames += frames;
    this.onKept(this.keptFrames / recording.sample_rate_hz);
    sending.grown();
  }

  /**
   * @param {{candidate_id: string, blind_number: string, piece_id: string, piece_title: string, replaces: string | null, kept_for?: string, marked_sec?: number | null, shortest_sec?: number | null}} what
   * @param {number} [fromSec] when it begins, in the context's time; at once when left out
   * @returns {Promise<string>} the recording's id
   */
  async record(what, fromSec = 0) {
    this.seq = 0;
    this.keptFrames = 0;
    this.writes = [];
    const recording = {
      ...what,
      id: newId(),
      sample_rate_hz: this.context.sampleRate,
      state: /** @type {const} */ ("recording"),
      frames: 0,
      started_at: Date.now(),
    };
    await new Promise((locked) => {
      if (!navigator.locks) locked(undefined);
      else void navigator.locks.request(spool.lockName(recording.id), () => {
        locked(undefined);
        return new Promise((unlock) => (this.unlock = () => unlock(undefined)));
      });
    });
    if (!(await spool.save(recording))) this.onTrouble(NO_SPACE);
    this.recording = recording;
    this.node.port.postMessage({ kind: "record", from: Math.round(fromSec * this.context.sampleRate) });
    sending.grown();
    return recording.id;
  }

  /** @returns {Promise<import("./spool.js").Spooled>} the finished recording, kept on this device */
  async stop() {
    if (!this.recording) throw new ApiError("Nothing is being recorded.");
    const done = new Promise((resolve) => {
      this.lastChunk = () => resolve(undefined);
    });
    this.node.port.postMessage({ kind: "stop" });
    await done;
    await Promise.all(this.writes);
    const finished = { ...this.recording, state: /** @type {const} */ ("stopped"), frames: this.keptFrames };
    await spool.save(finished);
    this.recording = null;
    this.unlock();
    sending.hurry();
    return finished;
  }

  async close() {
    if (this.recording) await this.stop();
    this.node.port.postMessage({ kind: "close" });
    this.stream.getTracks().forEach((track) => track.stop());
    await this.context.close();
  }
}
