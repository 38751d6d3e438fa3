// The picture: the viewer in its frame, and what it is told. Pictures are kept here, so that a
// viewer which loses its graphics context gets them again. The viewer is a program of its own,
// which comes after the first picture: until it has drawn, a plain canvas shows that.
import { $, paint } from "../dom.js";

/** @typedef {import("./take.js").Picture} Picture */

/** @typedef {{exposure: number, channel: string, under: string, underColor: number[], clip: boolean, accent: number[], matte: boolean[]}} Settings */

/**
 * What wasm/viewer gives the page: see its api.go.
 * @typedef {object} Api
 * @property {(side: number, w: number, h: number, hi: Uint8Array, lo: Uint8Array) => boolean} picture
 * @property {(side: number) => void} clear
 * @property {(settings: Partial<Settings>) => void} look
 * @property {(x: number | null) => void} divider
 * @property {() => void} fit
 * @property {() => void} actual
 * @property {() => Promise<{w: number, h: number, rgba: Uint8Array}>} snapshot
 * @property {(name: string, listener: (event: never) => void) => void} on
 */

/**
 * What is heard of the viewer.
 * @typedef {object} Listeners
 * @property {(event: {x: number, y: number, inside: boolean}) => void} pixel
 * @property {(event: {percent: number}) => void} view
 * @property {(event: KeyboardEvent) => void} key
 * @property {(event: DragEvent) => void} drag
 * @property {(why: string) => void} failed it cannot be used in this browser
 */

const numbers = new Set(["transmission", "matte", "sigma"]); // stations that are no light: shown without the display's curve

export class Viewer {
  /** @type {(Picture | null)[]} */
  shown = [null, null]; // on either side of the divider
  tooLarge = false; // the graphics cannot show a picture of that size
  /** @type {Api | undefined} */
  api;
  /** @type {number | null} */
  #divider = null;
  /** @type {Partial<Settings>} */
  #settings = { accent: [0.898, 0.561, 0.694] };
  #frame = /** @type {HTMLIFrameElement} */ ($("viewer"));
  #first = /** @type {HTMLCanvasElement} */ ($("first"));
  #spent;

  /**
   * @param {Listeners} listeners
   * @param {(picture: Picture) => void} spent is told of pictures that are shown no more
   */
  constructor(listeners, spent) {
    this.#spent = spent;
    this.#frame.addEventListener("twinplate-viewer-ready", () => {
      const { twinplateViewer: api } = /** @type {{twinplateViewer?: Api}} */ (/** @type {unknown} */ (this.#frame.contentWindow));
      if (!api) return;
      this.api = api;
      for (const name of /** @type {const} */ (["pixel", "view", "key", "drag"])) api.on(name, listeners[name]);
      api.look(this.#settings);
      api.divider(this.#divider);
      this.shown.forEach((picture, side) => picture && this.#put(api, side, picture));
      this.#uncover();
    });
    this.#frame.addEventListener("twinplate-viewer-failed", (event) => listeners.failed(/** @type {CustomEvent<string>} */ (event).detail));
  }

  get begun() {
    return !!this.#frame.src;
  }

  // begin loads the viewer.
  begin() {
    if (!this.begun) this.#frame.src = "viewer.html";
  }

  /**
   * first shows a picture before there is a viewer: sRGB of 8 bits.
   * @param {Uint8Array<ArrayBuffer>} rgba
   * @param {number} w
   * @param {number} h
   */
  first(rgba, w, h) {
    paint(this.#first, rgba, w, h);
  }

  // #uncover takes the first picture away once the viewer has drawn one.
  async #uncover() {
    if (!this.#first.isConnected || !this.api || !this.shown[0]) return;
    await this.api.snapshot();
    this.#first.remove();
  }

  /**
   * @param {number} side
   * @param {Picture | null} picture
   */
  show(side, picture) {
    const before = this.shown[side];
    if (before === picture) return;
    this.shown[side] = picture;
    if (this.api) this.#put(this.api, side, picture);
    this.#uncover();
    if (before && !this.shown.includes(before)) this.#spent(before);
  }

  /**
   * @param {Api} api
   * @param {number} side
   * @param {Picture | null} picture
   */
  #put(api, side, picture) {
    if (!picture?.hi || !picture.lo) {
      api.clear(side);
      return;
    }
    api.look({ matte: [0, 1].map((i) => numbers.has(this.shown[i]?.station ?? "")) });
    this.tooLarge = !api.picture(side, picture.w, picture.h, picture.hi, picture.lo);
  }

  /** @param {Partial<Settings>} settings */
  set(settings) {
    Object.assign(this.#settings, settings);
    this.api?.look(settings);
  }

  /**
   * divide puts a divider in the middle, or takes it away; where one is it stays.
   * @param {boolean} on
   */
  divide(on) {
    if (on === (this.#divider !== null)) return;
    this.#divider = on ? 0.5 : null;
    this.api?.divider(this.#divider);
  }
}
