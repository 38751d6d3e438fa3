// A take in the engines: its files laid out, opened, made ready, and its frames asked for and kept.
import { isClip } from "./sort.js";

/** @typedef {import("./state.js").Breaks} Breaks */
/** @typedef {import("./state.js").Entry} Entry */
/** @typedef {import("./operations.js").Given} Given */
/** @typedef {import("./operations.js").Layout} Layout */
/** @typedef {import("./operations.js").Placed} Placed */
/** @typedef {import("./operations.js").Prepared} Prepared */

/**
 * A station of a frame, as two arrays of the halves' bytes; missing says why there is none.
 * @typedef {Placed & {
 *   number: number, hi?: Uint8Array<ArrayBuffer>, lo?: Uint8Array<ArrayBuffer>,
 *   kept?: boolean, lender: import("./engines.js").Worked | null}} Picture
 */

/** @typedef {Placed & {rgba: Uint8Array<ArrayBuffer> | null}} Thumb a station as a small picture of sRGB */

const thumbWidth = 192; // pixels: twice what the strip shows, for dense screens

// Where the engine finds a take, in its file system.
const places = { take: "/take", green: "/green", recipe: "/take/recipe.json", resolved: "/take/resolved.json", again: "/take/again.json" };

// What the engines may hold of a take, all together: a browser's tab has 2 to 4 GB.
const mostBytes = 1.5e9;
const bytesPerPixel = 100; // that an engine holds of a take, measured at 1920x1080

const size = (/** @type {Picture} */ picture) => 2 * (picture.hi?.length ?? 0);
/** @type {(entry: Entry) => Given} */
const given = ({ name, file, url, clip, index }) => {
  if (file) return file;
  if (url) return { url };
  if (clip && index !== undefined) return { clip, index };
  throw new Error(`${name} has no bytes`);
};

const json = (/** @type {unknown} */ value) => new TextEncoder().encode(JSON.stringify(value));

export class Take {
  /** @type {Map<string, Picture>} */
  cache = new Map(); // in the order of use
  generation = 0; // counts the takes
  #bytes = 0; // in the cache
  /** @type {Layout} */
  #files = {};

  /**
   * @param {import("./engines.js").Engines} engines
   * @param {number} budget how many bytes of finished pictures are kept
   * @param {(picture: Picture) => boolean} shows reports whether a picture is shown
   */
  constructor(engines, budget, shows) {
    this.shows = shows;
    this.engines = engines;
    this.budget = budget;
  }

  /**
   * open lays out the wells' files and opens them; prepare must follow.
   * @param {import("./state.js").Wells} wells
   * @param {Record<string, unknown>} settings the recipe's other fields, and its version
   */
  async open(wells, settings) {
    this.forget();
    for (const worker of this.engines.workers.slice(1)) worker.held = true;
    /** @type {[string, Given][]} */
    const put = [];
    /** @type {Record<string, unknown>} */
    const recipe = { ...settings };
    for (const [well, entries] of Object.entries(wells)) {
      if (!entries?.length || well === "green") continue;
      for (const e of entries) put.push([`${places.take}/${well}/${e.name}`, given(e)]);
      recipe[well] = entries.length === 1 ? `${well}/${entries[0].name}` : well;
    }
    put.push([places.recipe, json(recipe)]);
    for (const e of wells.green ?? []) put.push([`${places.green}/${e.name}`, given(e)]);
    this.#files = { clear: [places.take], put };
    this.engines.lay(this.#files);
    return (await this.engines.call("open", { path: places.recipe }, { worker: this.engines.workers[0], urgent: true })).result;
  }

  // prepare estimates what the recipe does not give, on one worker.
  async prepare() {
    return (await this.engines.call("prepare", { path: places.resolved }, { worker: this.engines.workers[0], urgent: true })).result;
  }

  /**
   * share readies the other workers with what the first has found, and adds some where there is
   * room.
   * @param {Prepared} ready
   */
  async share({ recipe, w, h }) {
    const limit = Math.max(1, Math.min(this.engines.limit, Math.floor(mostBytes / (bytesPerPixel * w * h))));
    for (let i = 1; i < limit; i++) {
      const started = i >= this.engines.workers.length && this.engines.add();
      const worker = this.engines.workers[i];
      if (started) {
        await this.#still(started);
        worker.port.postMessage({ files: this.#files });
      }
      worker.port.postMessage({ files: { put: [[places.resolved, json(recipe)]] } });
      await this.#still(this.engines.call("open", { path: places.resolved }, { worker, urgent: true }));
      await this.#still(this.engines.call("prepare", { path: places.again }, { worker, urgent: true }));
      worker.held = false;
      this.engines.pump();
    }
  }

  /**
   * #still waits for a promise about this take. Where another take was opened meanwhile it gives
   * up, whatever came of it.
   * @template T
   * @param {Promise<T>} promise
   */
  async #still(promise) {
    const { generation } = this;
    const [end] = await Promise.allSettled([promise]);
    if (generation !== this.generation) throw new DOMException("another take is open", "AbortError");
    if (end.status === "rejected") throw end.reason;
    return end.value;
  }

  /**
   * @param {number} number
   * @param {Breaks} breaks
   * @param {string} station
   */
  #key(number, breaks, station) {
    return `${number} ${JSON.stringify(breaks)} ${station}`;
  }

  /**
   * cached returns a picture that is kept.
   * @param {number} number
   * @param {Breaks} breaks
   * @param {string} station
   */
  cached(number, breaks, station) {
    const key = this.#key(number, breaks, station);
    const found = this.cache.get(key);
    if (found) {
      this.cache.delete(key);
      this.cache.set(key, found);
    }
    return found;
  }

  /**
   * want returns the pictures of these stations of a frame, from the cache or from an engine. Quick
   * ones may be drafts, made of what the browser has decoded: those are to look at until the
   * library's own are there, and are not kept.
   * @param {number} number
   * @param {Breaks} breaks
   * @param {string[]} names
   * @param {import("./engines.js").How & {thumbs?: string[], quick?: boolean}} [how]
   */
  async want(number, breaks, names, { thumbs = [], quick = false, ...how } = {}) {
    const missing = names.filter((name) => !this.cached(number, breaks, name));
    /** @type {Map<string, Picture>} */
    const fresh = new Map();
    /** @type {{thumbs: Thumb[], draft: boolean}} */
    let reply = { thumbs: [], draft: false };
    if (missing.length || thumbs.length) {
      const { result, buffers, worker } = await this.#still(this.engines.call("frame", { number, breaks, stations: missing, thumbs, width: thumbWidth, quick }, how));
      let next = 0;
      for (const p of result.pictures) {
        /** @type {Picture} */
        const picture = { ...p, number, lender: worker };
        if (!p.missing) [picture.hi, picture.lo] = [buffers[next++], buffers[next++]];
        fresh.set(p.station, picture);
        if (!result.draft) this.#keep(this.#key(number, breaks, p.station), picture);
      }
      reply = { draft: result.draft, thumbs: result.thumbs.map((t) => ({ ...t, rgba: t.missing ? null : buffers[next++] })) };
    }
    const pictures = names.map((name) => /** @type {Picture} */ (fresh.get(name) ?? this.cached(number, breaks, name)));
    return { pictures, ...reply };
  }

  /**
   * spent gives the memory of a picture that is shown no more back to the worker that made it,
   * unless it is kept.
   * @param {Picture} picture
   */
  spent(picture) {
    const { lender, hi, lo } = picture;
    if (!lender || !hi || !lo || picture.kept) return;
    picture.lender = null;
    lender.port.postMessage({ spare: [hi, lo] }, [hi.buffer, lo.buffer]);
  }

  /**
   * @param {string} key
   * @param {Picture} picture
   */
  #keep(key, picture) {
    this.#drop(key);
    this.cache.set(key, picture);
    picture.kept = true;
    this.#bytes += size(picture);
    for (const [old, p] of this.cache) {
      if (this.#bytes <= this.budget || old === key) break;
      this.#drop(old);
      // One of the same frame may be about to be shown.
      if (p.number !== picture.number && !this.shows(p)) this.spent(p);
    }
  }

  /** @param {string} key */
  #drop(key) {
    const picture = this.cache.get(key);
    if (!picture) return;
    this.cache.delete(key);
    this.#bytes -= size(picture);
    picture.kept = false;
  }

  clear() {
    for (const key of [...this.cache.keys()]) this.#drop(key);
  }

  forget() {
    this.clear();
    this.generation++;
  }
}

/**
 * expand turns a well's dropped entries into frames: a clip becomes as many as it has.
 * @param {import("./sort.js").Dropped[]} entries
 * @param {(file: File) => Promise<import("../files/clips.js").Clip>} openClip
 */
export async function expand(entries, openClip) {
  /** @type {Entry[]} */
  const out = [];
  for (const { path, file } of entries) {
    const name = path.slice(path.lastIndexOf("/") + 1);
    if (!isClip(name)) {
      out.push({ name, path, file });
      continue;
    }
    const clip = await openClip(file);
    for (let i = 0; i < clip.frames; i++) out.push({ name: `${String(i + 1).padStart(6, "0")}.y4m`, clip, index: i, from: name, fps: clip.fps.average });
  }
  return out;
}
