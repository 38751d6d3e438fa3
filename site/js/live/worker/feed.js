// The live page's frames, in the worker that makes their pictures: what a source brings becomes the
// plates of the take's one frame, is made by the engine, and is drawn. A frame that comes while
// another is made waits for none: only the newest is kept.
import { messageOf } from "../../errors.js";
import { bytes, give } from "../../worker/spare.js";
import { turn } from "../../worker/stream.js";
import { Average, Samples, likeness } from "./gather.js";
import { Inputs } from "./inputs.js";
import { Rehearsal } from "./rehearsal.js";

/** @typedef {import("../../worker/files.js").Pixels} Pixels */

/**
 * A pair of plates, and when they were taken, in ms of performance.now().
 * @typedef {{color: Pixels, band: Pixels, time: number, cost: number, apart: number, lost: number}} Pair cost: ms that it took to take it; apart: how far the two are out of step, ms; lost: the frames since the last pair that were not used
 */

/**
 * @typedef {object} Source
 * @property {() => Promise<Pair | null>} next waits for a pair that is newer than the last; null: it has ended
 * @property {() => void} end
 */

/** @typedef {"none" | "side" | "stack"} Split how one picture carries both plates: not, side by side, one above the other */

/**
 * What the page sends.
 * @typedef {object} Ask
 * @property {Record<string, OffscreenCanvas>} [canvases] main and beside
 * @property {{main: string, beside: string}} [views] the stations that they show
 * @property {{streams: ReadableStream<VideoFrame>[], inputs: number, split: Split, swap: boolean}} [inputs] a source: streams, or inputs whose frames the page brings
 * @property {{input: number, frame: VideoFrame}} [frame] of such an input
 * @property {string} [rehearsal] a source: the address of the demo take
 * @property {import("./rehearsal.js").Effects} [effects] of the rehearsal
 * @property {boolean} [stop] the source
 * @property {boolean} [ready] whether the engine has the take: else the plates are shown as they come
 * @property {{id: number, count: number, moved: boolean}} [sample] pairs to be returned; moved: in which the performer is elsewhere
 * @property {{id: number, count: number}} [average] of frames with nobody in them
 * @property {{id: number}} [still] both plates and the pictures as PNG
 * @property {boolean} [graphics] whether the page draws the large picture, from the plates and the gain
 * @property {number} [drawn] that it has, so many ms after the capture; NaN: it has not
 * @property {boolean} [record] whether each pair is returned as JPEG
 */

/**
 * What it tells, a few times a second.
 * @typedef {object} Told
 * @property {number} fps
 * @property {number} latency ms from capture to the picture, median
 * @property {number} cost ms that the worker is at a frame, median
 * @property {number} apart ms, median
 * @property {number} made frames since the source began
 * @property {number} lost frames that were not
 * @property {string} size of both plates
 * @property {number} light of the brightest of both plates, code values
 * @property {number} alike how much both show the same, -1 to 1
 */

const tellEvery = 500; // ms: figures that change faster cannot be read
const rest = 150; // ms between two frames before there is a matte: whoever finds the geometry has the cores
const places = { color: "/take/color/0001.png", band: "/take/band/0001.png" };
const smallEvery = 4; // frames that the page draws from one small picture to the next, which takes the worker as long as the large one
const jpeg = { type: "image/jpeg", quality: 0.97 }; // finer than what capture devices deliver

export class Feed {
  /** @type {Record<string, OffscreenCanvas>} */
  #canvases = {};
  #views = { main: "sum", beside: "matte" };
  /** @type {Source | null} */
  #source = null;
  #ready = false;
  #turn = 0; // counts the sources
  /** @type {(Samples | Average)[]} */
  #gathering = [];
  /** @type {number | null} */
  #still = null;
  #recording = false;
  #graphics = false;
  #count = 0; // of frames that the page draws
  /** @type {((ms: number) => void) | null} */
  #drawn = null;
  /** @type {Told & {latencies: number[], aparts: number[], costs: number[], since: number, count: number}} */
  #told = fresh();

  /**
   * @param {import("../../worker/files.js").Files} files
   * @param {(op: string, args: object) => Promise<{json: string, buffers: Uint8Array<ArrayBuffer>[]}>} engine
   */
  constructor(files, engine) {
    this.files = files;
    this.engine = engine;
  }

  /** @param {Ask} ask */
  hear(ask) {
    if (ask.canvases) this.#canvases = ask.canvases;
    if (ask.views) this.#views = ask.views;
    if (ask.ready !== undefined) {
      this.#ready = ask.ready;
      this.#told = { ...fresh(), size: this.#told.size }; // the rate is of the matte
    }
    if (ask.graphics !== undefined) this.#graphics = ask.graphics;
    if (ask.drawn !== undefined) this.#drawn?.(ask.drawn);
    if (ask.record !== undefined) this.#recording = ask.record;
    if (ask.effects && this.#source instanceof Rehearsal) this.#source.effects = ask.effects;
    if (ask.frame) {
      if (this.#source instanceof Inputs) this.#source.offer(ask.frame.input, ask.frame.frame);
      else ask.frame.frame.close();
    }
    if (ask.sample) this.#gathering.push(new Samples(ask.sample));
    if (ask.average) this.#gathering.push(new Average(ask.average));
    if (ask.still) this.#still = ask.still.id;
    if (ask.stop || ask.inputs || ask.rehearsal !== undefined) this.#stop();
    if (ask.inputs) this.#run(new Inputs(ask.inputs));
    if (ask.rehearsal !== undefined) this.#run(new Rehearsal(ask.rehearsal));
  }

  #stop() {
    this.#source?.end();
    this.#source = null;
    this.#turn++;
    this.#drawn?.(NaN);
    [this.#gathering, this.#still] = [[], null];
  }

  /** @param {Source} source */
  async #run(source) {
    const mine = ++this.#turn;
    this.#source = source;
    this.#told = fresh();
    try {
      for (let pair; (pair = await source.next()); ) {
        if (mine !== this.#turn) return;
        await this.#frame(pair);
        // What the page says is heard between two frames, however late they are.
        await (this.#ready ? turn() : new Promise((resolve) => setTimeout(resolve, rest)));
      }
      if (mine === this.#turn) post({ ended: "The input has ended: a camera was unplugged, or the sharing was stopped." });
    } catch (error) {
      if (mine === this.#turn) post({ ended: messageOf(error) });
    }
  }

  /** @param {Pair} pair */
  async #frame(pair) {
    const began = performance.now();
    const size = `${pair.color.width}x${pair.color.height}, ${pair.band.width}x${pair.band.height}`;
    if (this.#told.size && this.#told.size !== size) this.#ready = false; // the take is of other pictures
    this.#told.size = size;
    this.#gathering = this.#gathering.filter((some) => !this.#gathered(some, pair));
    /** @type {Blob[]} */
    let shown = [];
    let latency = NaN; // where the page draws
    if (this.#ready) {
      this.files.put(places.color, pair.color);
      this.files.put(places.band, pair.band);
      const { main, beside } = this.#views;
      const drawing = this.#graphics;
      const stations = [...new Set([...(drawing ? [] : [main]), ...(this.#still === null ? [] : ["sum", "matte"])])];
      const small = beside && (!drawing || this.#count++ % smallEvery === 0) ? [beside] : [];
      try {
        const { json, buffers } = await this.engine("watch", { number: 1, stations, thumbs: small });
        /** @type {import("../../page/operations.js").Watched} */
        const { gain, pictures } = JSON.parse(json);
        const made = pictures.map(({ w, h }, i) => image(buffers[i], w, h));
        if (drawing) latency = await this.#drawing(pair, gain, main);
        else this.#draw("main", made[0]);
        this.#draw("beside", made[stations.length]);
        if (this.#still !== null) shown = await Promise.all(["sum", "matte"].map((station) => encoded(made[stations.indexOf(station)], { type: "image/png" })));
        give(buffers);
      } catch (error) {
        this.#ready = false;
        post({ broke: messageOf(error) });
      }
    } else {
      this.#draw("main", whole(this.#views.main === "band" ? pair.band : pair.color));
      this.#draw("beside", whole(this.#views.beside === "color" || this.#views.main === "band" ? pair.color : pair.band));
    }
    this.#tell(pair, performance.now() - began, latency);
    if (this.#still !== null) {
      const id = this.#still;
      this.#still = null;
      const plates = await Promise.all([pair.color, pair.band].map((p) => encoded(whole(p), { type: "image/png" })));
      post({ id, still: { plates, shown } });
    }
    if (this.#recording) post({ recorded: await Promise.all([pair.color, pair.band].map((p) => encoded(whole(p), jpeg))), time: pair.time });
  }

  /**
   * #drawing has the page draw a pair, and returns how long after its capture that was, in ms.
   * @param {Pair} pair
   * @param {number} gain
   * @param {string} show
   * @returns {Promise<number>}
   */
  async #drawing({ color, band, time }, gain, show) {
    const [c, b] = [color, band].map(({ data }) => {
      const to = bytes(data.length);
      to.set(data);
      return to;
    });
    post({ frame: { color: c, band: b, gain, show, taken: performance.timeOrigin + time } }, [c.buffer, b.buffer]);
    const ms = await new Promise((resolve) => (this.#drawn = resolve));
    this.#drawn = null;
    return ms;
  }

  /**
   * #gathered gives a pair to what gathers some, sends what it has once it is done, and reports whether
   * it is.
   * @param {Samples | Average} into
   * @param {Pair} pair
   */
  #gathered(into, pair) {
    const done = into.add(pair);
    if (done) post({ id: into.id, ...done }, "samples" in done ? done.samples.flatMap(({ color, band }) => [color.data.buffer, band.data.buffer]) : []);
    return !!done;
  }

  /**
   * @param {string} name
   * @param {ImageData | undefined} picture
   */
  #draw(name, picture) {
    const canvas = this.#canvases[name];
    if (!canvas || !picture) return;
    if (canvas.width !== picture.width || canvas.height !== picture.height) [canvas.width, canvas.height] = [picture.width, picture.height];
    canvas.getContext("2d", { alpha: false, desynchronized: true, willReadFrequently: true })?.putImageData(picture, 0, 0);
  }

  /**
   * @param {Pair} pair
   * @param {number} cost ms
   * @param {number} latency ms; NaN: it is drawn now
   */
  #tell(pair, cost, latency) {
    const told = this.#told;
    const now = performance.now();
    told.latencies.push(Number.isNaN(latency) ? now - pair.time : latency);
    told.aparts.push(Math.abs(pair.apart));
    told.costs.push(cost + pair.cost);
    told.count++;
    told.made++;
    told.lost += pair.lost;
    if (now - told.since < tellEvery) return;
    const { light, alike } = likeness(pair);
    const { made, lost, size } = told;
    post({ told: { fps: (1000 * told.count) / (now - told.since), latency: median(told.latencies), cost: median(told.costs), apart: median(told.aparts), made, lost, size, light, alike } });
    this.#told = { ...fresh(), made, lost, size };
  }
}

/** @returns {Told & {latencies: number[], aparts: number[], costs: number[], since: number, count: number}} */
const fresh = () => ({ fps: 0, latency: 0, cost: 0, apart: 0, made: 0, lost: 0, size: "", light: 0, alike: 0, latencies: [], aparts: [], costs: [], since: performance.now(), count: 0 });

const median = (/** @type {number[]} */ values) => values.sort((a, b) => a - b)[values.length >> 1];

/**
 * @param {object} message
 * @param {ArrayBuffer[]} [transfer]
 */
function post(message, transfer = []) {
  const scope = /** @type {{postMessage: (message: object, transfer: ArrayBuffer[]) => void}} */ (/** @type {unknown} */ (globalThis));
  scope.postMessage({ live: message }, transfer);
}

/**
 * @param {Uint8Array<ArrayBuffer>} data
 * @param {number} w
 * @param {number} h
 */
const image = (data, w, h) => new ImageData(new Uint8ClampedArray(data.buffer, data.byteOffset, 4 * w * h), w, h);

/**
 * whole is a plate as its camera made it.
 * @param {Pixels} p
 */
const whole = (p) => image(p.data, p.width, p.height);

/**
 * @param {ImageData} picture
 * @param {ImageEncodeOptions} how
 */
function encoded(picture, how) {
  const canvas = new OffscreenCanvas(picture.width, picture.height);
  canvas.getContext("2d", { alpha: false })?.putImageData(picture, 0, 0);
  return canvas.convertToBlob(how);
}

/**
 * pixels makes a plate of four bytes a pixel.
 * @param {number} width
 * @param {number} height
 * @param {Uint8Array<ArrayBuffer>} [data]
 * @returns {Pixels}
 */
export const pixels = (width, height, data = bytes(4 * width * height)) => ({ format: "live", width, height, color: true, depth: 8, planes: "rgbx", data });
