// Cameras: one input that carries both plates, or two that are paired by the time at which their
// frames were taken.
import { pixels } from "./feed.js";

/** @typedef {import("./feed.js").Pair} Pair */
/** @typedef {{frame: VideoFrame, time: number, number: number}} Held */

const window = 32; // steps from frame to frame that tell an input's rate
const kept = 2; // frames of an input: the newest, and the one that may be nearer to the other's newest

export class Inputs {
  /** @type {Held[][]} */
  #held = [];
  /** @type {Clock[]} */
  #clocks = [];
  /** @type {(() => void) | null} */
  #wake = null;
  #ended = false;
  #last = 0; // the number of the first input's frame that was used
  /** @type {ReadableStreamDefaultReader<VideoFrame>[]} */
  #readers = [];
  /** @type {import("../../worker/files.js").Pixels[]} */
  #plates = [];

  /** @param {NonNullable<import("./feed.js").Ask["inputs"]>} how */
  constructor({ streams, inputs, split, swap }) {
    this.split = split;
    this.swap = swap;
    for (let i = 0; i < inputs; i++) {
      this.#held.push([]);
      this.#clocks.push(new Clock());
    }
    streams.forEach((stream, i) => this.#read(i, stream));
  }

  /**
   * @param {number} i
   * @param {ReadableStream<VideoFrame>} stream
   */
  async #read(i, stream) {
    const reader = stream.getReader();
    this.#readers.push(reader);
    for (;;) {
      const { value, done } = await reader.read().catch(() => ({ value: undefined, done: true }));
      if (done || !value) break;
      this.offer(i, value);
    }
    this.end();
  }

  /**
   * offer takes an input's next frame, and lets an older one go.
   * @param {number} i
   * @param {VideoFrame} frame
   */
  offer(i, frame) {
    if (this.#ended) return frame.close();
    const held = this.#held[i];
    held.push({ frame, ...this.#clocks[i].at(frame.timestamp / 1000) });
    if (held.length > (this.#held.length > 1 ? kept : 1)) held.shift()?.frame.close();
    this.#wake?.();
  }

  end() {
    this.#ended = true;
    for (const { frame } of this.#held.flat()) frame.close();
    this.#held.forEach((held) => held.splice(0));
    for (const reader of this.#readers) reader.cancel().catch(() => {});
    this.#wake?.();
  }

  /** @returns {Promise<Pair | null>} */
  async next() {
    while (!this.#ended && !this.#held.every((held) => held.some(({ number }) => number > this.#last || held !== this.#held[0]))) {
      await new Promise((resolve) => (this.#wake = () => resolve(undefined)));
      this.#wake = null;
    }
    if (this.#ended) return null;
    const began = performance.now();
    const [first, second] = nearest(this.#held);
    const lost = this.#last ? first.number - this.#last - 1 : 0;
    this.#last = first.number;
    this.#held.forEach((held, i) => {
      const used = i ? second : first;
      while (held.length && held[0] !== used) held.shift()?.frame.close();
      if (!i) held.shift(); // one of the second input may go with another of the first
    });
    try {
      const two = second ? [await this.#copy(0, first.frame), await this.#copy(1, second.frame)] : await this.#halves(first.frame);
      const [color, band] = this.swap ? [two[1], two[0]] : two;
      return { color, band, cost: performance.now() - began, time: Math.min(first.time, second?.time ?? first.time), apart: second ? second.time - first.time : 0, lost };
    } finally {
      first.frame.close();
    }
  }

  /** @param {VideoFrame} frame */
  async #halves(frame) {
    const { x = 0, y = 0, width = 0, height = 0 } = frame.visibleRect ?? {};
    const [w, h] = this.split === "side" ? [width >> 1, height] : [width, height >> 1];
    const at = { width: w - (w % 2), height: h - (h % 2) }; // whole pairs of pixels, as chroma has them
    return [
      await this.#copy(0, frame, { x, y, ...at }),
      await this.#copy(1, frame, this.split === "side" ? { x: x + w + (w % 2), y, ...at } : { x, y: y + h + (h % 2), ...at }),
    ];
  }

  /**
   * #copy makes a frame, or a part of it, a plate, in memory that the next one takes.
   * @param {number} i
   * @param {VideoFrame} frame
   * @param {DOMRectInit} [rect]
   */
  async #copy(i, frame, rect = frame.visibleRect ?? undefined) {
    const { width = frame.codedWidth, height = frame.codedHeight } = rect ?? {};
    if (this.#plates[i]?.width !== width || this.#plates[i]?.height !== height) this.#plates[i] = pixels(width, height);
    await frame.copyTo(this.#plates[i].data, { rect, format: "RGBA", colorSpace: "srgb", layout: [{ offset: 0, stride: 4 * width }] });
    return this.#plates[i];
  }
}

/**
 * nearest returns the frames that belong together: of the input whose newest is older that one, and
 * of the other whichever is nearest.
 * @param {Held[][]} held
 * @returns {[Held, Held | undefined]}
 */
function nearest(held) {
  const newest = held.map((list) => list[list.length - 1]);
  if (newest.length < 2) return [newest[0], undefined];
  const slow = newest[0].time <= newest[1].time ? 0 : 1;
  const other = held[1 - slow].reduce((a, b) => (Math.abs(b.time - newest[slow].time) < Math.abs(a.time - newest[slow].time) ? b : a));
  return slow ? [other, newest[1]] : [newest[0], other];
}

/**
 * A Clock brings an input's time stamps, whose zero is the input's own, to this worker's time: none of
 * its frames has come before it was taken, and the quickest came at once.
 */
class Clock {
  #quickest = Infinity; // ms from a frame's time stamp to its coming
  #before = -Infinity;
  /** @type {number[]} */
  #steps = []; // ms between frames, of the last ones
  #number = 0;

  /** @param {number} stamp ms */
  at(stamp) {
    const step = stamp - this.#before;
    if (Number.isFinite(step)) this.#steps.push(step);
    if (this.#steps.length > window) this.#steps.shift();
    const period = [...this.#steps].sort((a, b) => a - b)[this.#steps.length >> 2] || step; // stamps jitter, and a step over one that was dropped is long
    this.#number += Number.isFinite(step) ? Math.max(1, Math.round(step / period)) : 1;
    this.#before = stamp;
    this.#quickest = Math.min(this.#quickest, performance.now() - stamp);
    return { time: stamp + this.#quickest, number: this.#number };
  }
}
