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

const draftWidth = 480; // pixels of a picture that stands in until there is a draft
export const large = 1600; // pixels of width from which half the size is what a window shows
const thumbWidth = 192; // pixels: twice what the strip shows, for dense screens

// Where the engine finds a take, in its file system.
const places = { take: "/take", green: "/green", recipe: "/take/recipe.json", resolved: "/take/resolved.json", again: "/take/again.json", planes: "/take/planes" };

// What the engines may hold of a take, all together, for each GB that the machine has: a browser's tab
// has 2 to 4 GB on one of 8 GB, as far as browsers tell.
const bytesPerGB = 1.5e9 / 8;
// What finished pictures may take: about 15 HD frames on a machine of 8 GB or more, or 61 of half the size,
// as they are played.
const cachePerGB = 256e6 / 8;
const bytesPerPixel = 100; // that an engine holds of a take, measured at 1920x1080
const spared = 128e6; // bytes that an engine has to hold beyond that for another to begin in its place

const bytesPerValue = 8; // of a pixel in a finished picture: four halves

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
  /** @type {((number: number) => number) | null} */
  later = null; // tells how soon a frame is wanted, while the take is played; else the longest unused goes first
  #bytes = 0; // in the cache
  /** @type {Layout} */
  #files = {};
  /** @type {Uint8Array<ArrayBuffer> | null} */
  planes = null; // what was found of the take beside its recipe, once that is known
  #laid = new AbortController(); // aborted once another take is laid out: no call of this one's may then begin

  /**
   * @param {import("./engines.js").Engines} engines
   * @param {number} gigabytes that the machine has, as the browser tells: 8 at most
   * @param {(picture: Picture) => boolean} shows reports whether a picture is shown
   */
  constructor(engines, gigabytes, shows) {
    this.shows = shows;
    this.engines = engines;
    this.memory = gigabytes * bytesPerGB; // bytes that the engines may hold
    this.budget = gigabytes * cachePerGB; // bytes of finished pictures that are kept
  }

  /**
   * lay lays out the wells' files for all engines, which do nothing but what is asked of them by name
   * until share.
   * @param {import("./state.js").Wells} wells
   * @param {Record<string, unknown>} settings the recipe's other fields, and its version
   * @param {Uint8Array<ArrayBuffer> | null} planes what is known of the take beside its recipe
   */
  lay(wells, settings, planes) {
    this.forget();
    this.planes = planes;
    this.#laid.abort();
    this.#laid = new AbortController();
    for (const worker of this.engines.workers) worker.held = true;
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
    if (planes) put.push([places.planes, planes]);
    for (const e of wells.green ?? []) put.push([`${places.green}/${e.name}`, given(e)]);
    this.#files = { clear: [places.take], put };
    this.engines.lay(this.#files);
  }

  /**
   * #on is how an engine is asked by name to make the take ready.
   * @param {number} i
   */
  #on(i) {
    return { worker: this.engines.workers[i], urgent: true, signal: this.#laid.signal };
  }

  // open opens the take, on the first engine.
  async open() {
    return (await this.engines.call("open", { path: places.recipe }, this.#on(0))).result;
  }

  /**
   * prepare estimates what the recipe does not give.
   * @param {(stage: string) => void} stage hears which part of the work begins
   */
  async prepare(stage) {
    return (await this.engines.call("prepare", { path: places.resolved, later: true, planes: this.#known() }, { ...this.#on(0), stage })).result;
  }

  // noise finds the cameras' noise, which prepare has left.
  async noise() {
    return (await this.engines.call("noise", { path: places.resolved }, this.#on(0))).result;
  }

  // #known is where the engines find what is known of the take beside its recipe.
  #known() {
    return this.planes ? places.planes : "";
  }

  /**
   * draft opens and prepares the take on the second engine from reduced plates and a few frames of
   * them, and has frames made there.
   * @param {string} first the name of the color plate's first file
   * @param {(look: import("./operations.js").Description, rgba: Uint8Array<ArrayBuffer>) => void} see is shown it, before all else
   * @param {(opened: import("./operations.js").Opened) => number[]} pick chooses the frames
   */
  async draft(first, see, pick) {
    if (this.engines.workers.length < 2) {
      await this.#still(this.engines.add());
      this.engines.workers[1].port.postMessage({ files: this.#files });
    }
    const worker = this.engines.workers[1];
    const how = this.#on(1);
    const { result, buffers } = await this.#still(this.engines.call("look", { path: `${places.take}/color/${first}`, width: draftWidth }, how));
    see(result, buffers[0]);
    const opened = (await this.#still(this.engines.call("open", { path: places.recipe, draft: true }, how))).result;
    const ready = (await this.#still(this.engines.call("prepare", { path: places.again, samples: pick(opened) }, how))).result;
    worker.held = false;
    return { opened, ready };
  }

  /**
   * begin has frames made by the first engine, and no more by one with a draft.
   */
  begin() {
    this.forget();
    for (const worker of this.engines.workers) worker.held = worker !== this.engines.workers[0];
    this.engines.pump();
  }

  /**
   * room is how many engines there may be for frames of that size.
   * @param {{w: number, h: number}} size
   */
  room({ w, h }) {
    return Math.max(1, Math.min(this.engines.limit, Math.floor(this.memory / (bytesPerPixel * w * h))));
  }

  /**
   * frameRoom is how many frames fit among the finished pictures.
   * @param {{w: number, h: number}} size
   * @param {number} stations of each
   */
  frameRoom({ w, h }, stations) {
    return Math.floor(this.budget / (bytesPerValue * w * h * stations));
  }

  /**
   * share readies the other workers with what the first has found, and adds some where there is
   * room, or ends some where there is not. What the first took to find it no browser ever takes back from
   * a program: where that is much, another begins in its place. It resolves to the engine that found it, for
   * doubts, and to the notes of the take as the first has it then, or to null where it is the same.
   * @param {Prepared} ready
   */
  async share({ recipe, w, h }) {
    const limit = this.room({ w, h });
    for (const worker of this.engines.workers.slice(limit)) this.engines.end(worker);
    this.planes = (await this.#still(this.engines.call("planes", {}, this.#on(0)))).buffers[0];
    for (let i = 1; i < limit; i++) await this.#resolved(i, recipe);
    const [first] = this.engines.workers;
    const { result: held } = await this.#still(this.engines.call("memory", {}, this.#on(0)));
    if (held < bytesPerPixel * w * h + spared) return { first, notes: null };
    const { notes } = await this.#resolved(this.engines.workers.length, recipe);
    this.engines.replace(first);
    return { first, notes };
  }

  /**
   * doubts returns warnings by which the result is likely wrong, of the test that takes longest.
   * @param {import("./engines.js").Worked} first the engine that prepared the take; it ends then where another is in its place
   */
  async doubts(first) {
    try {
      return (await this.#still(this.engines.call("curves", {}, { ...this.#on(0), worker: first }))).result;
    } finally {
      if (!this.engines.workers.includes(first)) this.engines.end(first);
    }
  }

  /**
   * #resolved readies a worker, one that is there or the next, with the recipe that has every estimate.
   * @param {number} i
   * @param {Prepared["recipe"]} recipe
   */
  async #resolved(i, recipe) {
    const started = i >= this.engines.workers.length && this.engines.add();
    const worker = this.engines.workers[i];
    if (started) {
      await this.#still(started);
      worker.port.postMessage({ files: this.#files });
    }
    worker.port.postMessage({ files: { put: [[places.resolved, json(recipe)], [places.planes, this.planes]] } });
    await this.#still(this.engines.call("open", { path: places.resolved }, this.#on(i)));
    const { result } = await this.#still(this.engines.call("prepare", { path: places.again, planes: this.#known() }, this.#on(i)));
    worker.held = false;
    this.engines.pump();
    return result;
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
   * @param {boolean} half
   * @param {import("./state.js").Recipe} finish
   */
  #key(number, breaks, station, half, finish) {
    return `${number} ${JSON.stringify(breaks)} ${station}${half ? " half" : ""} ${JSON.stringify(finish)}`;
  }

  /**
   * cached returns a picture that is kept.
   * @param {number} number
   * @param {Breaks} breaks
   * @param {string} station
   * @param {boolean} [half] of half the size
   * @param {import("./state.js").Recipe} [finish] that it was made with
   */
  cached(number, breaks, station, half = false, finish = this.engines.finish) {
    const key = this.#key(number, breaks, station, half, finish);
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
   * @param {import("./engines.js").How & {thumbs?: string[], quick?: boolean, half?: boolean}} [how]
   */
  async want(number, breaks, names, { thumbs = [], quick = false, half = false, ...how } = {}) {
    const { finish } = this.engines;
    const missing = names.filter((name) => !this.cached(number, breaks, name, half));
    /** @type {Map<string, Picture>} */
    const fresh = new Map();
    /** @type {{thumbs: Thumb[], draft: boolean}} */
    let reply = { thumbs: [], draft: false };
    if (missing.length || thumbs.length) {
      const { result, buffers, worker } = await this.#still(this.engines.call("frame", { number, breaks, stations: missing, thumbs, width: thumbWidth, quick, half }, how));
      let next = 0;
      for (const p of result.pictures) {
        /** @type {Picture} */
        const picture = { ...p, number, lender: worker };
        if (!p.missing) [picture.hi, picture.lo] = [buffers[next++], buffers[next++]];
        fresh.set(p.station, picture);
        if (!result.draft) this.#keep(this.#key(number, breaks, p.station, half, finish), picture);
      }
      reply = { draft: result.draft, thumbs: result.thumbs.map((t) => ({ ...t, rgba: t.missing ? null : buffers[next++] })) };
    }
    const pictures = names.map((name) => /** @type {Picture} */ (fresh.get(name) ?? this.cached(number, breaks, name, half, finish)));
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
    const { later } = this;
    const order = [...this.cache].filter(([old]) => old !== key);
    if (later && this.#bytes > this.budget) order.sort(([, one], [, other]) => later(other.number) - later(one.number));
    for (const [old, p] of order) {
      if (this.#bytes <= this.budget) break;
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
 * expand turns a well's dropped entries into frames: a clip becomes as many as it has, and the next one
 * goes on after it.
 * @param {import("./sort.js").Dropped[]} entries
 * @param {(file: File) => Promise<import("../files/clips.js").Clip>} openClip
 */
export async function expand(entries, openClip) {
  /** @type {Entry[]} */
  const out = [];
  const names = new Set();
  for (const { path, file } of entries) {
    const name = path.slice(path.lastIndexOf("/") + 1);
    if (!file.size) throw new Error(`${path} is empty: 0 bytes`);
    if (names.has(name)) throw new Error(`${name} is there twice: give the frames of one folder`);
    names.add(name);
    if (!isClip(name)) {
      out.push({ name, path, file });
      continue;
    }
    const clip = await openClip(file);
    const first = out.length + 1;
    for (let i = 0; i < clip.frames; i++) out.push({ name: `${String(first + i).padStart(6, "0")}.y4m`, clip, index: i, from: name, fps: clip.fps.num / clip.fps.den });
  }
  return out;
}
