/** The audio thread's own names (Web Audio API), which the library of a page leaves out. */
declare class AudioWorkletProcessor {
  readonly port: MessagePort;
}
declare const currentFrame: number;
declare function registerProcessor(name: string, processor: unknown): void;
