// Playing, and stepping through the take.
import { isAbort } from "../errors.js";
import { fpsOf, sides } from "./state.js";

const least = 4; // ms: below it a timer is no better than the next frame of the screen

export class Player {
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
    const { store } = this;
    if (store.value.playing || store.value.frames.length < 2) return;
    store.update({ playing: true });
    this.frames.prefetch();
    while (store.value.playing) {
      const began = performance.now();
      const { frames, frame, loop } = store.value;
      const i = frames.indexOf(frame) + 1;
      if (i >= frames.length && !loop) break;
      if (!(await this.#show(frames[i % frames.length]))) break;
      const left = 1000 / fpsOf(store.value) - (performance.now() - began);
      await new Promise((resolve) => (left > least ? setTimeout(resolve, left) : requestAnimationFrame(resolve)));
    }
    this.stop();
    if (store.value.frames.length) this.frames.seek(store.value.frame);
  }

  /**
   * #show shows a frame that is played, and reports whether playing goes on.
   * @param {number} number
   */
  async #show(number) {
    const { store, take, frames } = this;
    try {
      const { pictures } = await take.want(number, store.value.breaks, sides(store.value), { urgent: true });
      if (!store.value.playing) return false;
      store.update({ frame: number });
      frames.present(pictures);
    } catch (error) {
      if (isAbort(error)) return false;
      frames.fail(number, error);
      store.update({ frame: number });
    }
    return true;
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
