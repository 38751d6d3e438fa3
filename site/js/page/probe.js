// The pixel under the pointer: its numbers are asked for one after the other, the latest place
// last.
import { isAbort } from "../errors.js";

/** @typedef {{x: number, y: number, signal: AbortSignal}} Place */

export class Probe {
  /** @type {Place | null} */
  #asked = null;
  #asking = false;

  /**
   * @param {import("./state.js").PageStore} store
   * @param {import("./engines.js").Engines} engines
   */
  constructor(store, engines) {
    this.store = store;
    this.engines = engines;
  }

  /**
   * at asks for the numbers of a pixel of the frame that is looked at.
   * @param {{x: number, y: number}} place
   * @param {AbortSignal} signal
   */
  async at({ x, y }, signal) {
    this.#asked = { x, y, signal };
    if (this.#asking) return;
    this.#asking = true;
    while (this.#asked) {
      const { x, y, signal } = this.#asked;
      this.#asked = null;
      const { frame, breaks } = this.store.value;
      try {
        const { result } = await this.engines.call("pixel", { number: frame, breaks, x, y }, { signal, urgent: true });
        this.store.update({ pixel: result });
      } catch (error) {
        if (!isAbort(error)) this.store.update({ pixel: null });
      }
    }
    this.#asking = false;
  }
}
