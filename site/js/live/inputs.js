// The inputs: cameras chosen by their pictures, a window that is shared, or the rehearsal; remembered,
// and let go when the page is hidden or left.
import { $, choice, el, fill, press, tick } from "../dom.js";
import { messageOf } from "../errors.js";

/** @typedef {import("./state.js").LiveStore} LiveStore */
/** @typedef {import("./state.js").Choice} Choice */
/** @typedef {import("./worker/feed.js").Split} Split */
/** @typedef {{new (init: {track: MediaStreamTrack, maxBufferSize?: number}): {readable: ReadableStream<VideoFrame>}}} Processor */

const demo = "demo/take.json";
const rate = { frameRate: { ideal: 24 }, resizeMode: { ideal: "none" } }; // as the camera has it: a browser crops to please
const wanted = { width: { ideal: 1280 }, height: { ideal: 720 }, ...rate }; // of each camera
const wide = { width: { ideal: 2560 }, height: { ideal: 1440 }, ...rate }; // of one that carries both plates

/** @type {Record<string, string>} */
const refused = {
  NotAllowedError: "The browser was not allowed to use it: allow the camera for this page (the sign in the address line), and choose it again.",
  NotFoundError: "There is no such camera: is it plugged in, and switched on?",
  NotReadableError: "The camera does not answer: another program may be using it. Close that one, and choose the camera again.",
  OverconstrainedError: "The camera that was chosen is not there any more: choose it again.",
};

export class Source {
  /** @type {MediaStream[]} */
  #streams = [];
  /** @type {{device: string, label: string, stream: MediaStream}[]} */
  offered = []; // cameras whose pictures are shown, to choose from
  #hidden = false;
  /** @type {() => void} */
  draw = () => {};

  /**
   * @param {LiveStore} store
   * @param {import("./session.js").Session} session
   */
  constructor(store, session) {
    this.store = store;
    this.session = session;
    addEventListener("pagehide", () => this.stop());
    document.addEventListener("visibilitychange", () => {
      if (document.hidden && store.value.running) {
        this.#hidden = true;
        this.stop();
      } else if (!document.hidden && this.#hidden) {
        this.#hidden = false;
        this.resume();
      }
    });
    store.subscribe(["running"], ({ running }) => running || this.#release());
    navigator.mediaDevices?.addEventListener("devicechange", () => this.offered.length && this.offer());
  }

  /** @param {Partial<Choice>} change */
  choose(change) {
    this.store.update({ choice: { ...this.store.value.choice, ...change } });
  }

  // resume begins with what was chosen before. A window is asked for anew each time, by the browser.
  async resume() {
    const { kind } = this.store.value.choice;
    if (kind === "rehearsal") await this.rehearse();
    else if (kind === "camera") await this.cameras();
  }

  stop() {
    this.session.end();
    this.#release();
  }

  #release() {
    for (const stream of this.#streams) for (const track of stream.getTracks()) track.stop();
    this.#streams = [];
    this.unoffer();
  }

  unoffer() {
    for (const { stream } of this.offered) if (!this.#streams.includes(stream)) for (const track of stream.getTracks()) track.stop();
    this.offered = [];
    this.draw();
  }

  async rehearse() {
    this.stop();
    this.choose({ kind: "rehearsal" });
    const address = new URL(demo, document.baseURI).href;
    this.session.begin({ rehearsal: address });
    const { background, recipe } = await (await fetch(address)).json();
    if (!this.session.hung) {
      const file = await (await fetch(new URL(`background/${background[0]}`, address))).blob();
      await this.session.hang({ name: "background.jpg", file });
    }
    // What the cameras' geometry and noise are takes a minute to find, and a rehearsal begins at once.
    const { geometry, crosstalk, color_noise, band_noise } = recipe;
    await this.session.prepare({ known: { geometry, crosstalk, color_noise, band_noise } });
  }

  // offer shows every camera's picture.
  async offer() {
    await this.#try(async () => {
      this.unoffer();
      const media = navigator.mediaDevices;
      const first = await media.getUserMedia({ video: wanted });
      const [{ label }] = first.getVideoTracks();
      const device = first.getVideoTracks()[0].getSettings().deviceId ?? "";
      this.offered = [{ device, label, stream: first }];
      for (const other of await media.enumerateDevices()) {
        if (other.kind !== "videoinput" || other.deviceId === device) continue;
        const stream = await media.getUserMedia({ video: { ...wanted, deviceId: { exact: other.deviceId } } }).catch(() => null); // one that is in use is not offered
        if (stream) this.offered.push({ device: other.deviceId, label: other.label, stream });
      }
      this.draw();
    });
  }

  // cameras begins with the cameras that are chosen.
  async cameras() {
    const { devices, split } = this.store.value.choice;
    if (!devices.length) {
      await this.offer();
      return;
    }
    if (devices.length === 2 && devices[0] === devices[1]) {
      this.store.update({ wrong: "Both inputs are the same camera: choose another for the band plate, or say how the one picture carries both." });
      return;
    }
    await this.#try(async () => {
      this.stop();
      const streams = [];
      for (const device of devices) {
        const size = devices.length > 1 || split === "none" ? wanted : wide;
        streams.push(await navigator.mediaDevices.getUserMedia({ video: { ...size, ...(device ? { deviceId: { exact: device } } : {}) } }));
      }
      this.choose({ kind: "camera" });
      this.#begin(streams);
    });
  }

  // share begins with a window or a screen that carries both plates.
  async share() {
    await this.#try(async () => {
      const stream = await navigator.mediaDevices.getDisplayMedia({ video: wide });
      this.stop();
      this.choose({ kind: "window", devices: [] });
      this.#begin([stream]);
    });
  }

  /** @param {MediaStream[]} streams */
  #begin(streams) {
    this.#streams = streams;
    const { split, swap } = this.store.value.choice;
    const tracks = streams.map((stream) => stream.getVideoTracks()[0]);
    for (const track of tracks) track.onended = () => {
      this.stop();
      this.store.update({ wrong: `${track.label || "The input"} has ended: it was unplugged, or the sharing was stopped. Choose it again.` });
    };
    const how = { inputs: tracks.length, split, swap };
    const { MediaStreamTrackProcessor } = /** @type {{MediaStreamTrackProcessor?: Processor}} */ (/** @type {unknown} */ (globalThis));
    if (MediaStreamTrackProcessor) {
      const readables = tracks.map((track) => new MediaStreamTrackProcessor({ track, maxBufferSize: 2 }).readable);
      this.session.begin({ inputs: { ...how, streams: readables } }, readables);
    } else {
      this.session.begin({ inputs: { ...how, streams: [] } });
      streams.forEach((stream, input) => this.#callbacks(stream, input));
    }
    if (!this.session.hung) this.session.plain();
    this.session.prepare();
  }

  /**
   * #callbacks brings a stream's frames where no worker can read it.
   * @param {MediaStream} stream
   * @param {number} input
   */
  #callbacks(stream, input) {
    const video = el("video", { muted: true, playsInline: true, srcObject: stream });
    const next = () => {
      if (!this.#streams.includes(stream)) return;
      const frame = new VideoFrame(video);
      this.session.tell({ frame: { input, frame } }, [frame]);
      video.requestVideoFrameCallback(next);
    };
    video.play().then(() => video.requestVideoFrameCallback(next), (error) => this.store.update({ wrong: messageOf(error) }));
  }

  /** @param {() => Promise<void>} work */
  async #try(work) {
    this.store.update({ wrong: "" });
    try {
      if (!navigator.mediaDevices) throw new Error("This browser gives no camera to this page: it must be opened over https, or from this machine.");
      await work();
    } catch (error) {
      this.#release();
      this.store.update({ wrong: (error instanceof DOMException && refused[error.name]) || messageOf(error) });
    }
  }
}

/** @type {[Split, string][]} */
const splits = [["none", "two cameras"], ["side", "one input, side by side"], ["stack", "one input, one above the other"]];

/**
 * @param {LiveStore} store
 * @param {Source} source
 */
export function drawInputs(store, source) {
  const draw = () => {
    const { choice: chosen, running, effects, curves } = store.value;
    const { split, swap, devices, kind, curve } = chosen;
    const again = (/** @type {Partial<Choice>} */ change) => {
      source.choose(change);
      if (running && kind === "camera" && (change.split ?? split) === split) source.cameras();
    };
    const pick = (/** @type {string} */ device) => {
      if (split !== "none") source.choose({ devices: [device] });
      else source.choose({ devices: devices.length === 1 ? [devices[0], device] : [device] });
      if (split !== "none" || devices.length === 1) source.cameras();
      else draw();
    };
    const use = (/** @type {string} */ device) => {
      if (split !== "none") return "Use it";
      return devices.length === 1 ? (devices[0] === device ? "The color camera" : "Use as band camera") : "Use as color camera";
    };
    fill($("inputs"),
      el("h2", {}, "Inputs"),
      el("div", { className: "row" },
        press("Rehearse", () => source.rehearse(), { className: running ? "" : "main", title: "The demo's plates, as if two cameras stood before its set" }),
        press("Cameras", () => (split === "none" && source.choose({ devices: [] }), source.offer())),
        press("A window", () => (split === "none" && source.choose({ split: "side" }), source.share())),
        running ? press("Stop", () => (source.choose({ kind: "" }), source.stop())) : null),
      choice("The plates come from", splits.map((s) => [...s]), split, (value) => again({ split: /** @type {Split} */ (value), devices: [] })),
      tick("color and band are exchanged", swap, (on) => again({ swap: on })),
      choice("The cameras' curve", curves.map((c) => [c, c]), curve, (value) => again({ curve: value })),
      source.offered.length ? el("div", { className: "choices" }, source.offered.map(({ device, label, stream }) =>
        el("button", { type: "button", onclick: () => pick(device) }, el("video", { muted: true, autoplay: true, playsInline: true, srcObject: stream }), el("span", {}, label || "a camera"), el("strong", {}, use(device))))) : null,
      kind === "rehearsal" && running ? rehearsal(store, effects) : null,
      el("p", { className: "note" }, "What comes over an input has 8 bits and chroma of half the size, and was often sharpened: a monitor's quality. The readings here tell where to hang a flag; the recordings are judged by check."));
  };
  source.draw = draw;
  store.show(["choice", "running", "curves"], draw);
}

/** @type {[string, string][]} */
const stages = [["performer", "the performer"], ["nobody", "nobody"], ["dark", "nobody, and the lenses capped"]];

/**
 * @param {LiveStore} store
 * @param {import("./state.js").Effects} effects
 */
function rehearsal(store, effects) {
  const set = (/** @type {Partial<import("./state.js").Effects>} */ change) => store.update({ effects: { ...store.value.effects, ...change } });
  const slider = (/** @type {string} */ text, /** @type {"spill" | "lamp" | "bump"} */ name, /** @type {number} */ max, /** @type {number} */ step, /** @type {(v: number) => string} */ say) => {
    const out = el("output", {}, say(effects[name]));
    return el("label", {}, el("span", {}, text, " ", out), el("input", { type: "range", id: `effect-${name}`, min: "0", max: String(max), step: String(step), value: String(effects[name]),
      oninput: (/** @type {Event} */ event) => {
        const value = Number(/** @type {HTMLInputElement} */ (event.target).value);
        out.textContent = say(value);
        set({ [name]: value });
      } }));
  };
  return el("fieldset", {}, el("legend", {}, "What goes wrong"),
    slider("Spill from the left", "spill", 0.1, 0.005, (v) => `${(100 * v).toFixed(1)}\u00a0%`),
    slider("A lamp at the right is dimmed", "lamp", 1, 0.05, (v) => `${Math.round(100 * v)}\u00a0%`),
    slider("The band camera was knocked", "bump", 12, 1, (v) => `${v}\u00a0px`),
    choice("Before the screen", stages, effects.stage, (value) => set({ stage: /** @type {import("./state.js").Effects["stage"]} */ (value) })));
}
