// Frames: the one that is looked at is asked for and shown, and those around it are made ahead.
import { isAbort, messageOf } from "../errors.js";
import { finishAlone } from "./estimates.js";
import { refuse } from "./notices.js";
import { sides } from "./state.js";
import { stations } from "./stations.js";
import { large } from "./take.js";

/** @typedef {import("./state.js").State} State */
/** @typedef {import("./take.js").Picture} Picture */

const rest = 150; // ms that the hand rests before small pictures and numbers are made of a frame

// What a frame's pictures hang on, beside its number.
export const depends = /** @type {const} */ (["wells", "recipe", "breaks", "a", "b"]);

const wait = (/** @type {number} */ ms) => new Promise((resolve) => setTimeout(resolve, ms));
const same = (/** @type {State} */ one, /** @type {State} */ other) => depends.every((name) => one[name] === other[name] || (name === "recipe" && finishAlone(one.recipe, other.recipe)));

export class Frames {
  #seeks = 0;
  #presented = 0; // the seek whose picture is shown
  #toward = 1; // the direction of travel
  #scrubbing = new AbortController();
  #fetching = new AbortController();

  /**
   * @param {import("./state.js").PageStore} store
   * @param {import("./take.js").Take} take
   * @param {import("./viewer.js").Viewer} viewer
   * @param {import("./probe.js").Probe} probe
   */
  constructor(store, take, viewer, probe) {
    this.store = store;
    this.take = take;
    this.viewer = viewer;
    this.probe = probe;
  }

  // signal is aborted once another frame is looked at.
  get signal() {
    return this.#scrubbing.signal;
  }

  // leave ends what is under way: it is about a take that is left.
  leave() {
    this.#scrubbing.abort();
    this.#scrubbing = new AbortController(); // for the frames that are played
    this.#fetching.abort();
  }

  /**
   * seek shows a frame. While the hand moves on, frames that are being made are shown in their
   * order, of one finish after the other too, and those that wait are dropped. A large picture comes in
   * half its size first, in which it is written and drawn sooner; JPEG and PNG as the browser decodes
   * them first, as a draft, and then as the library does.
   * @param {number} number
   * @param {{thumbs?: boolean, moving?: boolean}} [how] thumbs: the small pictures are made at once; moving: a hand
   *   moves what the frame is made with, so a large one is of half the size until it rests
   */
  async seek(number, { thumbs = false, moving = false } = {}) {
    const { store, take } = this;
    if (!store.value.ready || !store.value.frames.length) return;
    const mine = ++this.#seeks;
    if (number !== store.value.frame) this.#toward = number < store.value.frame ? -1 : 1;
    this.#scrubbing.abort();
    this.#scrubbing = new AbortController();
    const { signal } = this.#scrubbing;
    store.update({ frame: number });
    take.engines.at = number;
    const { value } = store;
    const { breaks } = value;
    const names = sides(value);
    /** @type {(pictures: Picture[], draft?: boolean) => void} */
    const put = (pictures, draft) => {
      if (mine < this.#presented || !same(value, store.value)) return;
      this.#presented = mine;
      this.present(pictures, draft);
    };
    const held = names.map((name) => take.cached(number, breaks, name));
    try {
      if (held.every((picture) => picture !== undefined)) put(held);
      else {
        this.#fetching.abort();
        const half = (value.ready?.w ?? 0) >= large;
        const { pictures, draft } = await take.want(number, breaks, names, { signal, urgent: true, finish: true, quick: !breaks.spill, half });
        put(pictures, draft || (half && moving));
        if (half && moving) await wait(rest);
        if (signal.aborted) return;
        if (draft || half) put((await take.want(number, breaks, names, { signal, urgent: true })).pictures);
        this.#made(number);
      }
      if (store.value.playing) return;
      if (!thumbs) await wait(rest);
      if (signal.aborted) return;
      const small = await take.want(number, breaks, [], { thumbs: stations.map((s) => s.id), signal });
      if (signal.aborted) return;
      store.update({ thumbs: small.thumbs });
      if (store.value.pixel && !store.value.ready?.draft) this.probe.at(store.value.pixel, signal);
      this.prefetch();
    } catch (error) {
      if (isAbort(error) || signal.aborted) return;
      this.fail(number, error);
      refuse(store, error);
    }
  }

  /**
   * fail notes that a frame could not be made.
   * @param {number} number
   * @param {unknown} error
   */
  fail(number, error) {
    this.store.update({ failed: new Map(this.store.value.failed).set(number, messageOf(error)) });
  }

  /** @param {number} number */
  #made(number) {
    const failed = new Map(this.store.value.failed);
    if (failed.delete(number)) this.store.update({ failed });
  }

  /**
   * present shows pictures. Drafts say that they are: the library's own follow.
   * @param {Picture[]} pictures of the stations that are looked at
   * @param {boolean} [draft]
   */
  present(pictures, draft = false) {
    const { store, viewer } = this;
    const { busy, ready, shown } = store.value;
    const [first, second] = pictures.map((p) => (p.missing ? null : p));
    let [a, b = null] = sides(store.value);
    if (first || !viewer.shown[0]) viewer.show(0, first);
    else a = shown?.a ?? a; // what there was stays: never a blank
    viewer.show(1, b ? second : null);
    const wrong = pictures.find((p) => p.missing)?.missing ?? (viewer.tooLarge ? "This picture is larger than this browser's graphics can show: the take can still be taken away" : "");
    store.update({ shown: { a, b, draft: draft || !!ready?.draft }, busy: wrong ? { text: wrong } : busy?.stop ? busy : null });
  }

  // prefetch fills the cache around the frame while nothing else is asked for.
  async prefetch() {
    const { store, take } = this;
    this.#fetching.abort();
    this.#fetching = new AbortController();
    const { signal } = this.#fetching;
    const { breaks, frame, frames, ready } = store.value;
    if (!ready || ready.draft) return; // a draft's frames are soon made again
    const names = sides(store.value);
    const room = take.frameRoom(ready, names.length) - 2; // the frame itself, and one that is shown
    const i = frames.indexOf(frame);
    const [before, after] = [frames.slice(0, i), frames.slice(i + 1)];
    const order = (this.#toward < 0 ? [...before.reverse(), ...after.reverse()] : [...after, ...before]).slice(0, Math.max(0, room));
    const most = Math.max(1, take.engines.workers.length - 1); // one stays free for the frame that is asked for
    const lanes = Array.from({ length: most }, async (_, lane) => {
      for (let k = lane; k < order.length && !signal.aborted; k += most) {
        if (names.every((name) => take.cached(order[k], breaks, name))) continue;
        try {
          await take.want(order[k], breaks, names, { signal });
        } catch (error) {
          if (isAbort(error)) return;
          this.fail(order[k], error);
        }
      }
    });
    await Promise.all(lanes);
  }
}
