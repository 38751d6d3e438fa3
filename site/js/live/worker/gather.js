// What is made of several pairs: samples for the geometry, plates of nobody, and how a pair looks at
// a glance.
import { pixels } from "./feed.js";

/** @typedef {import("./feed.js").Pair} Pair */
/** @typedef {import("../../worker/files.js").Pixels} Pixels */

const across = 48; // squares of a glance: a performer is some of them wide

// The light of a glance is of code values, 0 to 255. Chosen by hand.
const moves = 6; // by which a square changes when somebody moves in it; noise of single pixels is averaged out
const squares = 4; // that must change so: a flickering pixel is no performer
const longest = 12_000; // ms after which samples are taken whether somebody moves or not
const shortest = 150; // ms between two samples

/**
 * glance returns a plate's light by squares: green, which has the most of both plates' light.
 * @param {Pixels} p
 */
export function glance({ width, height, data }) {
  const side = Math.max(1, Math.floor(width / across));
  const [w, h] = [Math.floor(width / side), Math.floor(height / side)];
  const out = new Float32Array(w * h);
  const step = Math.max(1, side >> 2); // a sixteenth of the pixels is enough
  for (let by = 0; by < h; by++) {
    for (let bx = 0; bx < w; bx++) {
      let sum = 0, n = 0;
      for (let y = by * side; y < (by + 1) * side; y += step) {
        for (let x = bx * side; x < (bx + 1) * side; x += step, n++) sum += data[4 * (y * width + x) + 1];
      }
      out[by * w + bx] = sum / n;
    }
  }
  return out;
}

/**
 * @param {Float32Array} a
 * @param {Float32Array} b
 */
const changed = (a, b) => a.reduce((n, v, i) => n + Number(Math.abs(v - b[i]) > moves), 0) >= squares;

/**
 * likeness returns the brightest square of both plates, and the correlation of their squares: what is
 * taken by one camera twice agrees wholly.
 * @param {Pair} pair
 */
export function likeness({ color, band }) {
  const [a, b] = [glance(color), glance(band)];
  const light = Math.max(...a, ...b);
  if (a.length !== b.length) return { light, alike: 0 };
  const mean = (/** @type {Float32Array} */ v) => v.reduce((s, x) => s + x, 0) / v.length;
  const [ma, mb] = [mean(a), mean(b)];
  let ab = 0, aa = 0, bb = 0;
  a.forEach((v, i) => {
    ab += (v - ma) * (b[i] - mb);
    aa += (v - ma) ** 2;
    bb += (b[i] - mb) ** 2;
  });
  return { light, alike: aa && bb ? ab / Math.sqrt(aa * bb) : 0 };
}

const copy = (/** @type {Pixels} */ p) => pixels(p.width, p.height, p.data.slice());

export class Samples {
  /** @type {{color: Pixels, band: Pixels}[]} */
  #taken = [];
  /** @type {Float32Array | null} */
  #last = null;
  #began = performance.now();
  #at = 0;

  /** @param {{id: number, count: number, moved: boolean}} ask */
  constructor({ id, count, moved }) {
    this.id = id;
    this.count = count;
    this.moved = moved;
  }

  /** @param {Pair} pair */
  add({ color, band }) {
    const now = performance.now();
    if (now - this.#at < shortest) return null;
    const seen = glance(band);
    if (this.moved && this.#last && now - this.#began < longest && !changed(seen, this.#last)) return null;
    [this.#last, this.#at] = [seen, now];
    this.#taken.push({ color: copy(color), band: copy(band) });
    return this.#taken.length < this.count ? null : { samples: this.#taken };
  }
}

/**
 * An Average is of code values: over noise of two of them the light's own mean differs by a thousandth
 * of it, and where there is hardly any light by less than a part in ten thousand of full scale.
 */
export class Average {
  /** @type {{width: number, height: number, sum: Uint16Array}[]} */
  #sums = [];
  /** @type {Float32Array[]} */
  #first = [];
  #n = 0;
  #moved = false;

  /** @param {{id: number, count: number}} ask count: at most 257, which 16 bits hold */
  constructor({ id, count }) {
    this.id = id;
    this.count = count;
  }

  /** @param {Pair} pair */
  add({ color, band }) {
    [color, band].forEach((p, k) => {
      const to = (this.#sums[k] ??= { width: p.width, height: p.height, sum: new Uint16Array(3 * p.width * p.height) }).sum;
      for (let i = 0, j = 0; j < to.length; i += 4, j += 3) {
        to[j] += p.data[i];
        to[j + 1] += p.data[i + 1];
        to[j + 2] += p.data[i + 2];
      }
      const seen = glance(p);
      const first = (this.#first[k] ??= seen);
      // Lamps that drift change all squares alike, and that is nobody.
      const drift = median(seen.map((v, i) => v / Math.max(first[i], 1)));
      if (changed(seen, first.map((v) => v * drift))) this.#moved = true;
    });
    if (++this.#n < this.count) return null;
    const [c, b] = this.#sums.map(({ width, height, sum }) => ({ ...pixels(width, height, sixteen(sum, this.#n)), planes: /** @type {const} */ ("rgb16"), depth: 16 }));
    return { average: { color: c, band: b, moved: this.#moved } };
  }
}

const median = (/** @type {Float32Array} */ v) => v.sort()[v.length >> 1] || 1;

/**
 * sixteen returns sums of n codes of 8 bits as codes of 16, the high byte first.
 * @param {Uint16Array} sum
 * @param {number} n
 */
function sixteen(sum, n) {
  const out = new Uint8Array(2 * sum.length);
  for (let i = 0; i < sum.length; i++) {
    const code = Math.round((sum[i] * 257) / n);
    out[2 * i] = code >> 8;
    out[2 * i + 1] = code & 255;
  }
  return out;
}
