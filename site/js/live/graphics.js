// The large picture by the graphics processor, where the browser has one: the viewer's program resamples,
// solves and adds in one pass, and the worker has to find no more than the lamps' gain.
import { $ } from "../dom.js";
import { drawsBy } from "../graphics.js";

/** @typedef {import("../page/operations.js").Graphics} Numbers */

/**
 * What wasm/viewer gives for it: see its api.go.
 * @typedef {object} Api
 * @property {(numbers: Numbers, hold: Uint8Array, back: Uint8Array) => boolean} arithmetic
 * @property {(color: Uint8Array, band: Uint8Array, gain: number, show: string) => boolean} frame
 * @property {() => Promise<{w: number, h: number, rgba: Uint8ClampedArray}>} snapshot of the picture as it was made
 * @property {(text: string) => void} label
 * @property {(name: string, listener: () => void) => void} on
 */

const slow = 2000; // ms after which a picture that was not drawn is given up: a window that is covered draws none

export class Graphics {
  #frame = /** @type {HTMLIFrameElement} */ ($("graphics"));
  /** @type {Promise<Api> | null} */
  #ready = null;
  /** @type {Api | null} */
  api = null;
  /** @type {((drawn: boolean) => void) | null} */
  #drawn = null;

  /** @returns {Promise<Api>} */
  #begin() {
    return (this.#ready ??= new Promise((resolve, reject) => {
      this.#frame.addEventListener("twinplate-viewer-ready", () => {
        const { twinplateViewer: api } = /** @type {{twinplateViewer?: Api}} */ (/** @type {unknown} */ (this.#frame.contentWindow));
        if (!api) return;
        this.api = api;
        api.on("drawn", () => this.#drawn?.(true));
        api.label("The large picture");
        resolve(api);
      });
      this.#frame.addEventListener("twinplate-viewer-failed", (event) => reject(new Error(/** @type {CustomEvent<string>} */ (event).detail)));
      if (drawsBy() === "nothing") reject(new Error("the browser has no WebGL 2"));
      else this.#frame.src = "viewer.html";
    }));
  }

  /** @param {boolean} on */
  show(on) {
    this.#frame.hidden = !on;
  }

  /**
   * @param {Numbers} numbers
   * @param {Uint8Array[]} pictures
   */
  async arithmetic(numbers, [hold, back]) {
    this.show(true); // a frame that is hidden starts no program
    if (!(await this.#begin()).arithmetic(numbers, hold, back)) throw new Error(`the graphics processor has no room for pictures of ${2 * numbers.w}x${2 * numbers.h} pixels`);
  }

  /**
   * frame shows a frame, and reports whether it was drawn.
   * @param {Uint8Array} color
   * @param {Uint8Array} band
   * @param {number} gain
   * @param {string} show
   * @returns {Promise<boolean>}
   */
  frame(color, band, gain, show) {
    return new Promise((resolve) => {
      this.#drawn?.(false);
      const late = setTimeout(() => resolve(false), slow);
      this.#drawn = (drawn) => (clearTimeout(late), resolve(drawn));
      if (!this.api?.frame(color, band, gain, show)) resolve(false);
    });
  }
}
