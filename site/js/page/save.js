// Saving: frames, ranges, clips and the recipe, written as the engine makes them. What is saved is of
// the take and the settings that were there when it began: a change of those waits (opening.js).
import { download } from "../dom.js";
import { isAbort, messageOf, stopped } from "../errors.js";
import { finishOf } from "./estimates.js";
import { notDone, refuse } from "./notices.js";
import { savedRecipe } from "./recipe.js";
import { fpsOf, hasSum, nameOf, rangeOf } from "./state.js";

/** What can be saved of a frame; folder is what the command calls it. */
export const products = [
  { id: "sum", title: "Composite", folder: "comp" },
  { id: "cutout", title: "Cut-out, straight", folder: "foreground" },
  { id: "cutout_premultiplied", title: "Cut-out, premultiplied", folder: "foreground_premultiplied" },
  { id: "matte", title: "Matte", folder: "matte" },
];

/** What a clip can be of: a station, and whether it has alpha. */
export const clips = [
  { id: "comp", title: "composite", station: "sum", alpha: false },
  { id: "matte", title: "matte", station: "matte", alpha: false },
  { id: "foreground", title: "cut-out with alpha (WebM)", station: "foreground", alpha: true },
];

/** How well clips are encoded, on the encoder's scale: 1 is very high. */
export const qualities = /** @type {const} */ ([["1.2", "best"], ["0.8", "good"], ["0.5", "small"]]);

/** @typedef {{showDirectoryPicker?: (options: {mode: "readwrite"}) => Promise<FileSystemDirectoryHandle>}} Picker of some browsers alone */
/** @typedef {import("./state.js").State} State */
/** @typedef {(value: State, signal: AbortSignal, progress: (done: number) => void) => Promise<void>} Work on what there was when it began */

/** @param {number} number */
const digits = (number) => String(number).padStart(4, "0");

/** @param {string} id */
const folderOf = (id) => products.find((p) => p.id === id)?.folder ?? id;

/** @param {State} value */
const chosenOf = (value) => {
  const { from, to } = rangeOf(value);
  return value.frames.filter((n) => n >= from && n <= to);
};

const perFrame = 2; // files of a frame of a range: the composite, or the cut-out, and the matte

export class Saver {
  /**
   * @param {import("./state.js").PageStore} store
   * @param {import("./engines.js").Engines} engines
   */
  constructor(store, engines) {
    this.store = store;
    this.engines = engines;
    store.subscribe(["tab"], ({ tab, encoders }) => {
      if (tab === "away" && !encoders) this.#findEncoders().catch((error) => refuse(store, error));
    });
    addEventListener("beforeunload", (event) => {
      if (store.value.saving) event.preventDefault(); // the browser asks whether to leave
    });
  }

  // #findEncoders asks which clips this browser can write, once somebody may want one: the library
  // that asks is large.
  async #findEncoders() {
    const { possible } = await import("../files/clipout.js");
    this.store.update({ encoders: (await possible()).map((can) => can.container) });
  }

  /**
   * choose sets the range, within the take.
   * @param {{from?: number, to?: number}} change
   */
  choose(change) {
    const { first, last, from, to } = { ...rangeOf(this.store.value), ...change };
    this.store.update({ range: { from: Math.min(Math.max(from, first), last), to: Math.min(Math.max(to, from, first), last) } });
  }

  /** @param {string} id */
  frame(id) {
    const title = products.find((p) => p.id === id)?.title ?? id;
    return this.#save(title, 1, async (value, signal) => {
      const bytes = await this.#product(value, value.frame, id, signal);
      download(new Blob([bytes], { type: "image/png" }), `${nameOf(value)}_${folderOf(id)}_${digits(value.frame)}.png`);
    });
  }

  zip() {
    return this.#save("Writing the ZIP", this.#files, async (value, signal, onProgress) => {
      const { zip } = await import("../files/archive.js");
      download(await zip(this.#rangeFiles(value, signal), { onProgress, signal }), `${nameOf(value)}.zip`);
    });
  }

  async folder() {
    const handle = await /** @type {Picker} */ (window).showDirectoryPicker?.({ mode: "readwrite" }).catch(() => null);
    if (!handle) return;
    await this.#save("Writing into the folder", this.#files, async (value, signal, onProgress) => {
      const { intoFolder } = await import("../files/archive.js");
      await intoFolder(handle, this.#rangeFiles(value, signal), { onProgress, signal });
    });
  }

  /**
   * clip writes the range as a clip.
   * @param {string} id of clips
   * @param {string} container
   * @param {number} quality
   */
  clip(id, container, quality) {
    const { station, alpha } = clips.find((kind) => kind.id === id) ?? clips[0];
    return this.#save("Writing the clip", chosenOf(this.store.value).length, async (value, signal, onProgress) => {
      const { ready } = value;
      if (!ready) return;
      const { encode } = await import("../files/clipout.js");
      const kind = alpha ? "webm" : container;
      const blob = await encode({ width: ready.w, height: ready.h, fps: fpsOf(value), frames: this.#rangePixels(value, station, alpha, signal), container: kind, alpha, quality, onProgress, signal });
      download(blob, `${nameOf(value)}_${id}.${kind}`);
    });
  }

  recipe() {
    download(savedRecipe(this.store.value), "take.json");
  }

  get #files() {
    return perFrame * chosenOf(this.store.value).length + 1; // and the recipe
  }

  /**
   * @param {State} value
   * @param {number} number
   * @param {string} product
   * @param {AbortSignal} signal
   */
  async #product({ breaks, recipe }, number, product, signal) {
    const { buffers } = await this.engines.call("write", { number, breaks, product, finish: finishOf(recipe) }, { signal });
    return buffers[0];
  }

  /**
   * @param {State} value
   * @param {AbortSignal} signal
   */
  async *#rangeFiles(value, signal) {
    for (const number of chosenOf(value)) {
      for (const id of [hasSum(value) ? "sum" : "cutout", "matte"]) {
        yield { name: `${folderOf(id)}/${digits(number)}.png`, bytes: await this.#product(value, number, id, signal) };
      }
    }
    yield { name: "recipe.json", bytes: new Uint8Array(await savedRecipe(value).arrayBuffer()) };
  }

  /**
   * @param {State} value
   * @param {string} station
   * @param {boolean} straight
   * @param {AbortSignal} signal
   */
  async *#rangePixels(value, station, straight, signal) {
    for (const number of chosenOf(value)) {
      const { buffers } = await this.engines.call("display", { number, breaks: value.breaks, stations: [station], width: 0, straight, finish: finishOf(value.recipe) }, { signal });
      yield { rgba: buffers[0] };
    }
  }

  /**
   * #save does one piece of work with progress and a way to stop it.
   * @param {string} text
   * @param {number} total
   * @param {Work} work
   */
  async #save(text, total, work) {
    const { store } = this;
    const abort = new AbortController();
    const progress = (/** @type {number} */ done) => store.update({ saving: { text, total, done, stop: () => abort.abort(stopped()) } });
    store.update({ playing: false, saveError: "" });
    progress(0);
    try {
      await work(store.value, abort.signal, progress);
      store.update({ status: `${text}: done` });
    } catch (error) {
      if (!isAbort(error)) store.update({ saveError: messageOf(error), status: notDone(messageOf(error)) });
    } finally {
      store.update({ saving: null });
    }
  }
}
