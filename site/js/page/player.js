// Playing, and stepping through the take. Playing holds time: the frame that is due is shown, or the
// latest before it that is there. Frames are made ahead of it, in their order, and kept as long as there
// is room; where the take does not fit they are of half the size.
import { isAbort } from "../errors.js";
import { fpsOf, rounded, sides } from "./state.js";
import { large } from "./take.js";

const readFor = 2000; // ms over which the rate is read
const idle = 30; // ms until it is looked again whether there is a frame to make
const smoothing = 0.2; // of the last frame's time in the mean

/** @returns {Promise<number>} */
const nextScreen = () => new Promise((resolve) => requestAnimationFrame(resolve));

export class Player {
  #cost = 100; // ms that a frame takes to make, in the mean
  #due = 0; // the index of the frame that is due
  /** @type {Set<number>} */
  #pending = new Set(); // indices of the frames that are being made
  /** @type {HTMLAudioElement | null} */
  #sound = null;
  /** @type {File | null} */
  #heard = null; // the clip that #sound is of

  /**
   * @param {import("./state.js").PageStore} store
   * @param {import("./take.js").Take} take
   * @param {import("./frames.js").Frames} frames
   */
  constructor(store, take, frames) {
    this.store = store;
    this.take = take;
    this.frames = frames;
  }

  stop() {
    this.store.update({ playing: false });
  }

  // toggle plays, or stops.
  toggle() {
    if (this.store.value.playing) this.stop();
    else this.play();
  }

  async play() {
    const { store, take } = this;
    const { frames, ready } = store.value;
    if (store.value.playing || frames.length < 2 || !ready) return;
    store.update({ playing: true, rate: "" });
    this.frames.leave();
    const half = ready.w >= large || frames.length > take.frameRoom(ready, sides(store.value).length);
    const abort = new AbortController();
    const n = frames.length;
    let from = Math.max(0, frames.indexOf(store.value.frame));
    if (from === n - 1) from = 0;
    this.#due = from;
    let last = -1;
    take.later = (number) => (frames.indexOf(number) - this.#due + n) % n;
    for (let lane = 0; lane < Math.max(1, take.engines.workers.length); lane++) this.#make(half, abort.signal);
    let zero = performance.now();
    this.#play(from);
    /** @type {number[]} */
    let times = [];
    while (store.value.playing && store.value.frames === frames) {
      const now = await nextScreen();
      const fps = fpsOf(store.value);
      let due = from + Math.floor(((now - zero) * fps) / 1000);
      if (due >= n) {
        if (!store.value.loop) {
          if (last >= n - 1 || due > n) break;
          due = n - 1;
        } else {
          zero += ((n - from) * 1000) / fps;
          [from, due] = [0, Math.max(0, due - n)];
          if (due >= n) [zero, due] = [now, 0]; // the page slept
          last = -1;
          this.#play(due);
        }
      }
      this.#due = due;
      const names = sides(store.value);
      for (let i = due; i > last; i--) {
        const pictures = names.map((name) => take.cached(frames[i], store.value.breaks, name, half));
        if (!pictures.every((picture) => picture !== undefined)) continue;
        last = i;
        times = [...times.filter((time) => now - time < readFor), now];
        store.update({ frame: frames[i] });
        this.frames.present(pictures);
        break;
      }
      const span = times.length > 1 ? now - times[0] : 0;
      if (span > 500) store.update({ rate: `${rounded(Math.round((10 * (times.length - 1) * 1000) / span) / 10)} of ${rounded(fps)} frames per second${half ? ", half size" : ""}` });
    }
    abort.abort();
    take.later = null;
    this.#sound?.pause();
    this.stop();
    if (store.value.frames.length) this.frames.seek(store.value.frame);
  }

  /**
   * #make makes frames ahead of the one that is due, one after the other. Where they take longer than
   * they are shown, those are left out that would be too late.
   * @param {boolean} half
   * @param {AbortSignal} signal
   */
  async #make(half, signal) {
    const { store, take } = this;
    while (!signal.aborted) {
      const { frames, breaks } = store.value;
      const k = this.#next(half);
      if (k === null) {
        await new Promise((resolve) => setTimeout(resolve, idle));
        continue;
      }
      const began = performance.now();
      this.#pending.add(k);
      try {
        await take.want(frames[k], breaks, sides(store.value), { signal, half });
        this.#cost += smoothing * (performance.now() - began - this.#cost);
      } catch (error) {
        if (isAbort(error)) return;
        this.frames.fail(frames[k], error);
        await new Promise((resolve) => setTimeout(resolve, idle));
      } finally {
        this.#pending.delete(k);
      }
    }
  }

  /**
   * #next returns the index of the next frame to make, or null where all are there that there is room for.
   * @param {boolean} half
   */
  #next(half) {
    const { store, take } = this;
    const { frames, breaks, failed, ready, loop } = store.value;
    if (!ready) return null;
    const n = frames.length;
    const names = sides(store.value);
    const each = 1000 / fpsOf(store.value);
    const lanes = take.engines.workers.length;
    const first = this.#cost / lanes > each ? Math.max(1, Math.round(this.#cost / each)) : 1;
    const room = Math.min(n, take.frameRoom(half ? { w: ready.w / 2, h: ready.h / 2 } : ready, names.length) - 1);
    for (let d = first; d < first + room; d++) {
      if (!loop && this.#due + d >= n) return null;
      const k = (this.#due + d) % n;
      if (!this.#pending.has(k) && !failed.has(frames[k]) && !names.every((name) => take.cached(frames[k], breaks, name, half))) return k;
    }
    return null;
  }

  /**
   * #play plays the color clip's sound, where it has any that the browser plays.
   * @param {number} i the index that it begins at
   */
  #play(i) {
    const { wells, sound } = this.store.value;
    const entry = wells.color?.find(({ name }) => this.store.value.frames[i] === Number(/(\d+)\.y4m$/.exec(name)?.[1]));
    const file = entry?.clip?.file;
    if (!sound || !file || !entry) return this.#sound?.pause();
    if (this.#heard !== file) {
      if (this.#sound) URL.revokeObjectURL(this.#sound.src);
      [this.#heard, this.#sound] = [file, new Audio(URL.createObjectURL(file))];
    }
    if (!this.#sound) return;
    this.#sound.currentTime = (entry.index ?? 0) / (entry.fps ?? 24);
    this.#sound.play().catch(() => {}); // it has none, or none that can be played
  }

  /**
   * go stops, and shows a frame.
   * @param {number} number
   */
  go(number) {
    this.stop();
    this.frames.seek(number);
  }

  /**
   * step stops, and goes so many frames on.
   * @param {number} by
   */
  step(by) {
    const { frames, frame } = this.store.value;
    const i = frames.indexOf(frame);
    if (i >= 0) this.go(frames[Math.min(Math.max(i + by, 0), frames.length - 1)]);
    else this.stop();
  }
}
