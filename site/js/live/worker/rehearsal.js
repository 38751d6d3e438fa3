// The rehearsal: the demo's plates as if two cameras stood before its set, with what goes wrong on one.
import { pixels } from "./feed.js";

/** @typedef {import("../../worker/files.js").Pixels} Pixels */

/** @typedef {Record<Effects["stage"], {color: Pixels, band: Pixels}[]>} Stages who is before the screen, by the frames of it */

/**
 * What goes wrong.
 * @typedef {object} Effects
 * @property {number} spill on the performer's left edge of the frame, of the screen's light; none at the right
 * @property {number} lamp how far the lamp at the right is dimmed, 0 to 1
 * @property {number} bump pixels by which the band camera has been knocked aside
 * @property {"performer" | "nobody" | "dark"} stage who is before the screen; dark: nobody, and the lenses capped
 */

const fps = 24;
const frames = 16; // played to and fro: more would take memory for little
const fine = 4095; // steps of light, for its code values
const reaches = 1 / 3; // of the frame, at the right, that the lamp lights

// IEC 61966-2-1, the demo's curve.
const light = Float32Array.from({ length: 256 }, (_, i) => (i <= 10 ? i / 255 / 12.92 : ((i / 255 + 0.055) / 1.055) ** 2.4));
const code = Uint8Array.from({ length: fine + 1 }, (_, i) => Math.round(255 * (i / fine <= 0.0031308 ? (12.92 * i) / fine : 1.055 * (i / fine) ** (1 / 2.4) - 0.055)));

export class Rehearsal {
  /** @type {Effects} */
  effects = { spill: 0, lamp: 0, bump: 0, stage: "performer" };
  #ended = false;
  #loaded;
  #began = 0;
  #last = -1;
  /** @type {Pixels | null} */
  #spoilt = null;

  /** @param {string} address */
  constructor(address) {
    this.#loaded = this.#load(address);
    this.#loaded.catch(() => {});
  }

  end() {
    this.#ended = true;
  }

  /**
   * @param {string} address
   * @returns {Promise<Stages>}
   */
  async #load(address) {
    const demo = await (await fetch(address)).json();
    const one = async (/** @type {string} */ path) => decoded(await (await fetch(new URL(path, address))).blob());
    const all = (/** @type {string} */ folder) => Promise.all(demo[folder].slice(0, frames).map((/** @type {string} */ name) => one(`${folder}/${name}`)));
    const pair = async (/** @type {string} */ name) => ({ color: await one(`${name}_color.jpg`), band: await one(`${name}_band.jpg`) });
    const [color, band] = [await all("color"), await all("band")];
    return { performer: color.map((c, i) => ({ color: c, band: band[i] })), nobody: [await pair("clean")], dark: [await pair("dark")] };
  }

  async next() {
    const stages = await this.#loaded;
    if (!this.#began) this.#began = performance.now();
    let number = Math.floor(((performance.now() - this.#began) * fps) / 1000);
    if (number === this.#last) {
      await new Promise((resolve) => setTimeout(resolve, this.#began + ((number + 1) * 1000) / fps - performance.now()));
      number = Math.max(number + 1, Math.floor(((performance.now() - this.#began) * fps) / 1000));
    }
    if (this.#ended) return null;
    const lost = number - this.#last - 1;
    this.#last = number;
    const began = performance.now();
    const list = stages[this.effects.stage];
    const there = list.length - 1;
    const k = there ? there - Math.abs(there - (number % (2 * there))) : 0;
    const band = this.#band(list[k].band, stages);
    return { color: list[k].color, band, cost: performance.now() - began, time: this.#began + (number * 1000) / fps, apart: 0, lost };
  }

  /**
   * #band is the band plate with what goes wrong, in light.
   * @param {Pixels} from
   * @param {Stages} stages
   */
  #band(from, stages) {
    const { spill, lamp, bump, stage } = this.effects;
    if (stage === "dark" || (!spill && !lamp && !bump)) return from;
    const { width: w, height: h, data } = from;
    const [clean, dark] = [stages.nobody[0].band.data, stages.dark[0].band.data];
    const out = (this.#spoilt ??= pixels(w, h));
    const top = Math.max(...[0.3, 0.5, 0.7].map((x) => light[clean[4 * (Math.floor(h / 2) * w + Math.floor(x * w))]])); // about the brightest of the screen
    for (let y = 0; y < h; y++) {
      for (let x = 0; x < w; x++) {
        const i = 4 * (y * w + Math.min(Math.max(x - bump, 0), w - 1));
        const black = light[dark[i]];
        const screen = Math.max(light[clean[i]] - black, 1e-3);
        const across = 1 - x / w; // from the frame's left: the demo's splitter mirrors the band plate
        let v = light[data[i]] - black;
        const solid = Math.min(Math.max(1 - v / screen, 0), 1);
        v *= 1 - lamp * Math.min(Math.max((across - 1 + reaches) / reaches, 0), 1);
        v += spill * top * (1 - across) * solid;
        const c = code[Math.round(Math.min(Math.max(v + black, 0), 1) * fine)];
        const to = 4 * (y * w + x);
        out.data[to] = out.data[to + 1] = out.data[to + 2] = c;
        out.data[to + 3] = 255;
      }
    }
    return out;
  }
}

/** @param {Blob} file */
async function decoded(file) {
  const bitmap = await createImageBitmap(file, { colorSpaceConversion: "none" });
  const context = /** @type {OffscreenCanvasRenderingContext2D} */ (new OffscreenCanvas(bitmap.width, bitmap.height).getContext("2d", { willReadFrequently: true }));
  context.drawImage(bitmap, 0, 0);
  const { data } = context.getImageData(0, 0, bitmap.width, bitmap.height);
  return pixels(bitmap.width, bitmap.height, new Uint8Array(data.buffer));
}
