// The picture: the viewer in its frame, and what it is told. Pictures are kept here, so that a
// viewer which loses its graphics context gets them again. The viewer is a program of its own,
// which comes after the first picture: until it has drawn, a plain canvas shows that.
import { $, paint } from "../dom.js";
import { drawsBy } from "../graphics.js";

/** @typedef {import("./take.js").Picture} Picture */

/** @typedef {{exposure: number, channel: string, under: string, underColor: number[], clip: boolean, accent: number[], matte: boolean[], software: boolean}} Settings */

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
  plain = false; // a plain canvas shows the pictures
  tooLarge = false; // the graphics cannot show a picture of that size
  /** @type {Api | undefined} */
  api;
  /** @type {number | null} */
  #divider = null;
  #lies = { zoom: 1, x: 0.5, split: 0.5 };
  #listeners;
  /** @type {Partial<Settings>} */
  #settings = { accent: [0.898, 0.561, 0.694] };
  #frame = /** @type {HTMLIFrameElement} */ ($("viewer"));
  #first = /** @type {HTMLCanvasElement} */ ($("first"));
  #poster = /** @type {HTMLImageElement} */ ($("poster"));
  #spent;

  /**
   * @param {Listeners} listeners
   * @param {(picture: Picture) => void} spent is told of pictures that are shown no more
   */
  constructor(listeners, spent) {
    this.#spent = spent;
    this.#listeners = listeners;
    this.#frame.addEventListener("twinplate-viewer-ready", () => {
      const { twinplateViewer: api } = /** @type {{twinplateViewer?: Api}} */ (/** @type {unknown} */ (this.#frame.contentWindow));
      if (api) this.#use(api);
    });
    this.#frame.addEventListener("twinplate-viewer-failed", (event) => this.#plain(/** @type {CustomEvent<string>} */ (event).detail));
  }

  /** @param {Api} api */
  #use(api) {
    this.api = api;
    for (const name of /** @type {const} */ (["pixel", "view", "key", "drag"])) api.on(name, this.#listeners[name]);
    api.on("view", (/** @type {{zoom: number, x: number}} */ { zoom, x }) => this.#tabs({ zoom, x }));
    api.on("divider", (/** @type {{x: number}} */ { x }) => this.#tabs({ split: x }));
    api.look(this.#settings);
    api.divider(this.#divider);
    this.shown.forEach((picture, side) => picture && this.#put(api, side, picture));
    this.#uncover();
  }

  /**
   * #plain has a plain canvas do what the viewer cannot here.
   * @param {string} why
   */
  async #plain(why) {
    this.plain = true;
    const { plainViewer } = await import("./plain.js");
    this.#frame.hidden = true;
    this.#use(plainViewer(this.#frame));
    this.#listeners.failed(why);
  }

  get begun() {
    return this.plain || !!this.#frame.src;
  }

  /**
   * poster shows a picture, by its address, while there is no other; "" takes it away.
   * @param {string} src
   */
  poster(src) {
    this.#poster.hidden = !src;
    if (src) this.#poster.src = src;
  }

  // begin loads the viewer, where the browser has the graphics for it.
  begin() {
    if (this.begun) return;
    const by = drawsBy();
    if (by === "nothing") return void this.#plain("it has no WebGL 2");
    this.#settings.software = by === "software";
    this.#frame.src = "viewer.html";
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

  /**
   * #tabs puts the names of both sides beside the divider.
   * @param {Partial<{zoom: number, x: number, split: number}>} change of how the picture lies: its zoom over what fits, the place of its width that is in the middle, and the divider's
   */
  #tabs(change) {
    Object.assign(this.#lies, change);
    const { zoom, x, split } = this.#lies;
    const names = $("names");
    names.classList.toggle("divided", this.#divider !== null);
    const [picture] = this.shown;
    if (this.#divider === null || !picture) return;
    const { clientWidth: w, clientHeight: h } = $("screen");
    const scale = zoom * Math.min(w / picture.w, h / picture.h);
    names.style.setProperty("--divider", `${Math.min(Math.max(w / 2 + (split - x) * picture.w * scale, 0), w)}px`);
  }

  /**
   * wait shows the color plate, sRGB of 8 bits, until there is a picture of its take; null takes it away.
   * @param {Uint8Array<ArrayBuffer> | null} rgba
   * @param {number} [w]
   * @param {number} [h]
   */
  wait(rgba, w = 0, h = 0) {
    const canvas = /** @type {HTMLCanvasElement} */ ($("waiting"));
    canvas.hidden = !rgba;
    if (rgba) paint(canvas, rgba, w, h);
  }

  // #uncover takes the first picture away once the viewer has drawn one.
  async #uncover() {
    if (!this.#first.isConnected || !this.api || !this.shown[0]) return;
    await this.api.snapshot();
    this.#first.remove();
    this.poster("");
  }

  /**
   * @param {number} side
   * @param {Picture | null} picture
   */
  show(side, picture) {
    const before = this.shown[side];
    if (before === picture) return;
    this.shown[side] = picture;
    this.#tabs({});
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
    this.#tabs({ split: 0.5 });
  }
}
