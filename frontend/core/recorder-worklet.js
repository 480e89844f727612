/**
 * Runs in the audio thread: gathers mono float32 samples into chunks and tells levels as it goes. It never drops or
 * alters a sample (only "both" channels are averaged); a hole in the sequence of frames is counted.
 */

const LEVEL_EVERY_FRAMES = 2048; // about 20 reports a second
const BOTH = -1;

class Gatherer extends AudioWorkletProcessor {
  /** @param {{processorOptions: {chunkFrames: number, channel: number}}} options */
  constructor(options) {
    super();
    this.chunk = new Float32Array(options.processorOptions.chunkFrames);
    this.channel = options.processorOptions.channel;
    this.filled = 0;
    this.expected = -1;
    this.holes = 0;
    this.peaks = [0, 0];
    this.square = 0;
    this.counted = 0;
    this.from = Infinity; // first frame that is recorded
    this.alive = true;
    this.port.onmessage = ({ data }) => this.heed(data);
  }

  /** @param {{kind: "record", from: number} | {kind: "channel", channel: number} | {kind: "stop"} | {kind: "close"}} told */
  heed(told) {
    if (told.kind === "record") {
      this.filled = 0;
      this.holes = 0;
      this.from = told.from;
    } else if (told.kind === "stop") {
      this.flush(true);
      this.from = Infinity;
    } else if (told.kind === "channel") this.channel = told.channel;
    else this.alive = false;
  }

  /** @param {boolean} last */
  flush(last) {
    const pcm = this.chunk.slice(0, this.filled).buffer;
    this.port.postMessage({ kind: "chunk", pcm, last, holes: this.holes }, [pcm]);
    this.filled = 0;
  }

  /** @param {Float32Array[][]} inputs */
  process(inputs) {
    const channels = inputs[0];
    const frames = channels.length ? channels[0].length : 128;
    if (this.expected >= 0 && currentFrame !== this.expected) this.holes += 1;
    this.expected = currentFrame + frames;
    const one = channels[Math.min(Math.max(this.channel, 0), channels.length - 1)];
    const other = this.channel === BOTH && channels.length > 1 ? channels[1] : null;
    for (let index = 0; index < frames; index += 1) {
      const sample = one ? (other ? (one[index] + other[index]) / 2 : one[index]) : 0;
      this.square += sample * sample;
      if (currentFrame + index >= this.from) {
        this.chunk[this.filled] = sample;
        this.filled += 1;
        if (this.filled === this.chunk.length) this.flush(false);
      }
    }
    for (let which = 0; which < Math.min(2, channels.length); which += 1) {
      for (let index = 0; index < frames; index += 1) {
        const size = Math.abs(channels[which][index]);
        if (size > this.peaks[which]) this.peaks[which] = size;
      }
    }
    this.counted += frames;
    if (this.counted >= LEVEL_EVERY_FRAMES) {
      const peaks = this.peaks.slice(0, Math.max(1, Math.min(2, channels.length)));
      this.port.postMessage({ kind: "level", peaks, rms: Math.sqrt(this.square / this.counted) });
      this.peaks = [0, 0];
      this.square = 0;
      this.counted = 0;
    }
    return this.alive;
  }
}

registerProcessor("fairhearing-gatherer", Gatherer);
