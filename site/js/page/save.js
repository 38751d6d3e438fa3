// Saving: frames, ranges, clips and the recipe, written as the engine makes them.
import { download } from "../dom.js";
import { isAbort, stopped } from "../errors.js";
import { refuse } from "./notices.js";
import { savedRecipe } from "./recipe.js";
import { fpsOf, hasSum, rangeOf } from "./state.js";

/** What can be saved of a frame. */
export const products = [
  { id: "sum", title: "Sum" },
  { id: "cutout", title: "Cut-out, straight" },
  { id: "cutout_premultiplied", title: "Cut-out, premultiplied" },
  { id: "matte", title: "Matte" },
];

/** @typedef {{showDirectoryPicker?: (options: {mode: "readwrite"}) => Promise<FileSystemDirectoryHandle>}} Picker of some browsers alone */

/** @typedef {(signal: AbortSignal, progress: (done: number) => void) => Promise<void>} Work */

/** @param {number} number */
const digits = (number) => String(number).padStart(4, "0");

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
    const { frame } = this.store.value;
    const title = products.find((p) => p.id === id)?.title ?? id;
    return this.#save(title, 1, async (signal) => download(new Blob([await this.#product(frame, id, signal)], { type: "image/png" }), `${id}_${digits(frame)}.png`));
  }

  zip() {
    return this.#save("Writing the ZIP", this.#files, async (signal, onProgress) => {
      const { zip } = await import("../files/archive.js");
      download(await zip(this.#rangeFiles(signal), { onProgress, signal }), "twinplate.zip");
    });
  }

  async folder() {
    const handle = await /** @type {Picker} */ (window).showDirectoryPicker?.({ mode: "readwrite" }).catch(() => null);
    if (!handle) return;
    await this.#save("Writing into the folder", this.#files, async (signal, onProgress) => {
      const { intoFolder } = await import("../files/archive.js");
      await intoFolder(handle, this.#rangeFiles(signal), { onProgress, signal });
    });
  }

  /** @param {string} container */
  clip(container) {
    const { ready } = this.store.value;
    if (!ready) return;
    return this.#save("Writing the clip", this.#chosen.length, async (signal, onProgress) => {
      const { encode } = await import("../files/clipout.js");
      const blob = await encode({ width: ready.w, height: ready.h, fps: fpsOf(this.store.value), frames: this.#rangePixels(signal), container, onProgress, signal });
      download(blob, `twinplate.${container}`);
    });
  }

  recipe() {
    download(savedRecipe(this.store), "take.json");
  }

  get #chosen() {
    const { from, to } = rangeOf(this.store.value);
    return this.store.value.frames.filter((n) => n >= from && n <= to);
  }

  get #files() {
    return 2 * this.#chosen.length + 1; // two products of each frame, and the recipe
  }

  /**
   * @param {number} number
   * @param {string} product
   * @param {AbortSignal} signal
   */
  async #product(number, product, signal) {
    const { buffers } = await this.engines.call("write", { number, breaks: this.store.value.breaks, product }, { signal });
    return buffers[0];
  }

  /** @param {AbortSignal} signal */
  async *#rangeFiles(signal) {
    for (const number of this.#chosen) {
      for (const id of [hasSum(this.store.value) ? "sum" : "cutout", "matte"]) {
        yield { name: `${id}/${digits(number)}.png`, bytes: await this.#product(number, id, signal) };
      }
    }
    yield { name: "recipe.json", bytes: new Uint8Array(await savedRecipe(this.store).arrayBuffer()) };
  }

  /** @param {AbortSignal} signal */
  async *#rangePixels(signal) {
    for (const number of this.#chosen) {
      const { buffers } = await this.engines.call("display", { number, breaks: this.store.value.breaks, stations: ["sum"], width: 0 }, { signal });
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
    store.update({ playing: false });
    progress(0);
    try {
      await work(abort.signal, progress);
      store.update({ status: `${text}: done` });
    } catch (error) {
      if (!isAbort(error)) refuse(store, error);
    } finally {
      store.update({ saving: null });
    }
  }
}
