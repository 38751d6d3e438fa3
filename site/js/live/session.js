// A live take: one worker makes the pictures, one reads some of them, and one finds the geometry from a
// few and holds it against later ones.
import { isAbort, messageOf } from "../errors.js";
import { drawsBy } from "../graphics.js";

/** @typedef {import("./state.js").LiveStore} LiveStore */
/** @typedef {import("../worker/files.js").Pixels} Pixels */
/** @typedef {import("./worker/feed.js").Ask} Ask */
/** @typedef {{color: Pixels, band: Pixels}} Plates */
/** @typedef {Plates & {moved: boolean}} Average */
/** @typedef {{plates: Blob[], shown: Blob[]}} Still */

const samples = 6; // pairs that the geometry is found from, as many as check reads
const roughly = 2; // of them, that a quick one is found from, as the playground's draft is
const looks = 4; // pairs that it is held against: as many as the library registers by
const averaged = 16; // frames of a reference plate: they bring noise down to a quarter
const lookEvery = 12_000; // ms between two looks, which take a core for some seconds
const readEvery = 300; // ms: figures that change faster cannot be read
const longestRest = 500; // ms: spill shows within two seconds where a reading takes half of one
const readRest = 2; // times that a reading took are between it and the next: the pictures go first
const minute = 60_000; // ms of the trend

const folders = { take: "/take", look: "/look" };
const json = (/** @type {unknown} */ value) => new TextEncoder().encode(JSON.stringify(value));

export class Session {
  /** @type {Map<number, (value: any) => void>} */
  #asked = new Map();
  #id = 0;
  /** @type {Record<string, Plates>} */
  #references = {};
  /** @type {Plates[]} */
  #samples = [];
  /** @type {{name: string, file: Blob} | null} */
  #background = null;
  #turn = 0;
  #clock = 0;
  /** @type {((plates: Blob[], time: number) => void) | null} */
  recorder = null;
  /** @type {Uint8Array | null} */
  troubles = null;
  squares = { side: 1, w: 0, h: 0 };
  /** @type {import("./state.js").Moment[]} */
  log = []; // of readings, since the page was opened

  /**
   * @param {LiveStore} store
   * @param {import("../page/engines.js").Engines} engines of three workers
   * @param {import("./graphics.js").Graphics} graphics
   */
  constructor(store, engines, graphics) {
    this.graphics = graphics;
    this.store = store;
    this.engines = engines;
    this.maker.port.addEventListener("message", ({ data }) => data.live && this.#hear(data.live));
    store.subscribe(["view", "beside"], () => this.#show());
    let { graphics: chosen } = store.value.choice;
    store.subscribe(["choice"], ({ choice }) => {
      if (choice.graphics === chosen) return;
      chosen = choice.graphics;
      if (store.value.ready) this.#paint(this.#turn);
    });
    store.subscribe(["effects"], ({ effects }) => this.tell({ effects }));
  }

  get finder() {
    return this.engines.workers[0];
  }

  get maker() {
    return this.engines.workers[1];
  }

  get reader() {
    return this.engines.workers[2];
  }

  /**
   * tell sends the feed something.
   * @param {Ask} live
   * @param {Transferable[]} [transfer]
   */
  tell(live, transfer = []) {
    this.maker.port.postMessage({ live }, transfer);
  }

  #show() {
    const { view, beside } = this.store.value;
    this.tell({ views: { main: view === "trouble" ? "color" : view, beside } });
  }

  /**
   * begin takes a new source.
   * @param {Ask} source
   * @param {Transferable[]} [transfer]
   */
  begin(source, transfer = []) {
    this.end();
    this.#show();
    this.tell({ ...source, ready: false }, transfer);
    this.store.update({ running: true, wrong: "", rate: null });
    if (source.rehearsal !== undefined) this.tell({ effects: this.store.value.effects });
  }

  end() {
    this.#turn++;
    clearInterval(this.#clock);
    this.tell({ stop: true, ready: false, record: false });
    this.#asked.clear();
    this.#references = {};
    this.#samples = [];
    this.troubles = null;
    this.store.update({ running: false, ready: null, readings: [], slow: [], minute: [], bump: null, have: {}, working: "", told: [] });
  }

  /**
   * #ask asks the feed for something that comes later.
   * @param {(id: number) => Ask} ask
   * @returns {Promise<any>}
   */
  #ask(ask) {
    const id = ++this.#id;
    this.tell(ask(id));
    return new Promise((resolve) => this.#asked.set(id, resolve));
  }

  /** @param {any} live */
  #hear(live) {
    const { store } = this;
    if (live.id !== undefined) {
      this.#asked.get(live.id)?.(live.samples ?? live.average ?? live.still);
      this.#asked.delete(live.id);
    }
    if (live.frame) this.#draw(live.frame);
    if (live.recorded) this.recorder?.(live.recorded, live.time);
    if (live.told) {
      const before = store.value.rate?.size;
      store.update({ rate: live.told });
      if (before && before !== live.told.size && store.value.ready) this.#lost(`The pictures have another size now, ${live.told.size}: the geometry must be found anew.`);
    }
    if (live.broke && store.value.ready) this.#lost(live.broke); // a quick geometry's picture may break: the full one comes
    if (live.ended) {
      this.end();
      store.update({ wrong: live.ended });
    }
  }

  /** @param {string} why */
  #lost(why) {
    this.#turn++;
    clearInterval(this.#clock);
    this.tell({ ready: false });
    this.store.update({ ready: null, wrong: why, working: "", readings: [], slow: [] });
  }

  get hung() {
    return this.#background !== null;
  }

  // plain hangs a plain neutral background, until there is one.
  plain() {
    const canvas = document.createElement("canvas");
    [canvas.width, canvas.height] = [16, 9];
    const context = canvas.getContext("2d");
    if (!context) return;
    context.fillStyle = "#757575"; // 18 % of the light: a gray card's
    context.fillRect(0, 0, 16, 9);
    const bytes = atob(canvas.toDataURL("image/png").split(",")[1]);
    this.#background = { name: "background.png", file: new Blob([Uint8Array.from(bytes, (c) => c.charCodeAt(0))]) };
  }

  /** @param {{name: string, file: Blob}} background */
  async hang(background) {
    this.#background = background;
    if (this.store.value.ready) await this.prepare({ again: true });
  }

  /**
   * prepare finds what holds for the take. With again it keeps the geometry, and the samples.
   * @param {{again?: boolean, known?: Record<string, unknown>}} [how] known: what a rehearsal need not find
   */
  async prepare({ again = false, known = {} } = {}) {
    const { store } = this;
    const turn = ++this.#turn;
    const late = () => turn !== this.#turn;
    clearInterval(this.#clock);
    const given = again && store.value.ready ? { geometry: store.value.ready.recipe.geometry } : known;
    try {
      if (!again || !this.#samples.length) {
        store.update({ working: "Let the performer move before the lit screen: some pairs are taken" });
        const taken = await this.#ask((id) => ({ sample: { id, count: roughly, moved: true } }));
        if (late()) return;
        this.#samples = taken;
        if (!("geometry" in given)) {
          const more = this.#ask((id) => ({ sample: { id, count: samples - roughly, moved: true } }));
          await this.#rough(late);
          if (late()) return;
          this.#samples = [...taken, ...(await more)];
          if (late()) return;
        }
      }
      store.update({ working: "The geometry between the cameras, the screen and the crosstalk are found", wrong: "" });
      const recipe = { version: this.about.recipe, ...this.#settings(), write: ["comp", "sigma"], ...given };
      this.finder.port.postMessage({ files: { clear: [folders.take], put: [...this.#laid(folders.take, this.#samples), [`${folders.take}/recipe.json`, json(recipe)]] } });
      const one = { worker: this.finder, urgent: true };
      await this.engines.call("open", { path: `${folders.take}/recipe.json` }, one);
      const { result: ready } = await this.engines.call("prepare", { path: `${folders.take}/resolved.json` }, one);
      if (late()) return;
      // The others have one pair, which is overwritten, and everything else given.
      const middle = this.#samples[this.#samples.length >> 1];
      this.tell({ ready: false });
      for (const worker of [this.maker, this.reader]) {
        worker.port.postMessage({ files: { clear: [folders.take], put: [...this.#laid(folders.take, [middle]), [`${folders.take}/recipe.json`, json({ ...ready.recipe, ...this.#places() })]] } });
        await this.engines.call("open", { path: `${folders.take}/recipe.json` }, { worker });
        await this.engines.call("prepare", { path: `${folders.take}/resolved.json` }, { worker });
        if (late()) return;
      }
      await this.#paint(turn);
      if (late()) return;
      this.tell({ ready: true });
      store.update({ ready, working: "", told: [...new Set([...ready.warnings, ...ready.notes])], bump: null, status: "The matte is live" });
      this.#read(turn).catch((error) => turn === this.#turn && !isAbort(error) && this.#lost(messageOf(error)));
      this.#clock = setInterval(() => this.#look(turn), lookEvery);
      const { result: checked } = await this.engines.call("check", { fps: 0 }, { worker: this.finder });
      if (!late()) store.update({ slow: checked.readings });
    } catch (error) {
      if (!late() && !isAbort(error)) this.#lost(messageOf(error));
    }
  }

  /**
   * #rough shows a matte by a geometry that is found quickly, from plates that are reduced. Where none is found,
   * the full one says why.
   * @param {() => boolean} late
   */
  async #rough(late) {
    const { store, finder, maker } = this;
    const path = `${folders.take}/recipe.json`;
    store.update({ working: "A quick geometry is found" });
    try {
      const lay = (/** @type {import("../page/engines.js").Worked} */ { port }, /** @type {Plates[]} */ pairs, /** @type {Record<string, unknown>} */ recipe) => port.postMessage({ files: { clear: [folders.take], put: [...this.#laid(folders.take, pairs), [path, json({ ...recipe, ...this.#places() })]] } });
      const prepared = async (/** @type {import("../page/engines.js").Worked} */ worker, /** @type {number[]} */ numbers) => {
        await this.engines.call("open", { path, draft: true }, { worker });
        return (await this.engines.call("prepare", { path: `${folders.take}/resolved.json`, samples: numbers }, { worker })).result;
      };
      lay(finder, this.#samples, { version: this.about.recipe, ...this.#settings(), write: ["comp"] });
      const { recipe } = await prepared(finder, this.#samples.map((_, i) => i + 1));
      if (late()) return;
      this.tell({ ready: false, graphics: false });
      lay(maker, this.#samples.slice(0, 1), recipe);
      await prepared(maker, [1]);
      if (late()) return;
      this.tell({ ready: true });
      store.update({ status: "The matte is live, by a quick geometry: it is refined" });
    } catch (error) {
      if (!late()) store.update({ status: `There is no quick geometry: ${messageOf(error)}` });
    }
  }

  /**
   * #paint has the graphics processor make the large picture, where it is wanted and can be, or no more.
   * @param {number} turn
   */
  async #paint(turn) {
    const { store } = this;
    const wanted = store.value.choice.graphics;
    let drawn = false;
    if (wanted === "on" || (wanted === "auto" && drawsBy() === "hardware")) {
      try {
        const { result, buffers } = await this.engines.call("graphics", { number: 1 }, { worker: this.maker });
        await this.graphics.arithmetic(result, buffers);
        drawn = true;
      } catch (error) {
        if (turn === this.#turn) store.update({ status: `The processor makes the large picture: ${messageOf(error)}` });
      }
    }
    if (turn !== this.#turn) return;
    this.tell({ graphics: drawn });
    store.update({ drawn });
  }

  /** @param {{color: Uint8Array<ArrayBuffer>, band: Uint8Array<ArrayBuffer>, gain: number, show: string, taken: number}} frame */
  async #draw({ color, band, gain, show, taken }) {
    const drawn = await this.graphics.frame(color, band, gain, show);
    this.tell({ drawn: drawn ? performance.timeOrigin + performance.now() - taken : NaN });
    this.maker.port.postMessage({ spare: [color, band] }, [color.buffer, band.buffer]);
  }

  /** @type {import("../page/operations.js").About} */
  about = { extensions: [], pixels: 0, recipe: 0, curves: [] };

  #settings() {
    const { choice } = this.store.value;
    const curve = choice.kind === "rehearsal" ? "srgb" : choice.curve;
    return { color_curve: curve, band_curve: curve, ...this.#places() };
  }

  // #places are where the take's files lie.
  #places() {
    /** @type {Record<string, string>} */
    const places = { color: "color", band: "band", ...(this.#background ? { background: this.#background.name } : {}) };
    for (const name of Object.keys(this.#references)) [places[`${name}_color`], places[`${name}_band`]] = [`${name}_color.png`, `${name}_band.png`];
    return places;
  }

  /**
   * @param {string} folder
   * @param {Plates[]} pairs
   * @returns {[string, Pixels | Blob][]}
   */
  #laid(folder, pairs) {
    /** @type {[string, Pixels | Blob][]} */
    const put = pairs.flatMap(({ color, band }, i) => {
      const name = `${String(i + 1).padStart(4, "0")}.png`;
      return /** @type {[string, Pixels][]} */ ([[`${folder}/color/${name}`, color], [`${folder}/band/${name}`, band]]);
    });
    for (const [name, { color, band }] of Object.entries(this.#references)) put.push([`${folder}/${name}_color.png`, color], [`${folder}/${name}_band.png`, band]);
    if (this.#background) put.push([`${folder}/${this.#background.name}`, this.#background.file]);
    return put;
  }

  /**
   * #read reads a pair of now, and goes on with it.
   * @param {number} turn
   */
  async #read(turn) {
    const { store } = this;
    while (turn === this.#turn) {
      const began = performance.now();
      /** @type {Plates[]} */
      const [pair] = await this.#ask((id) => ({ sample: { id, count: 1, moved: false } }));
      this.reader.port.postMessage({ files: { put: [[`${folders.take}/color/0001.png`, pair.color], [`${folders.take}/band/0001.png`, pair.band]] } }, [pair.color.data.buffer, pair.band.data.buffer]);
      const { result, buffers } = await this.engines.call("read", { number: 1 }, { worker: this.reader });
      if (turn !== this.#turn) return;
      const { readings, through, sigma, side, w, h } = result;
      [this.troubles, this.squares] = [buffers[0], { side, w, h }];
      const time = Date.now();
      /** @type {import("./state.js").Moment} */
      const moment = { time, through, values: {}, verdicts: {} };
      for (const r of readings) {
        if (r.value !== null) moment.values[r.name] = r.value;
        moment.verdicts[r.name] = r.verdict;
      }
      this.log.push(moment);
      if (this.log.length > mostMoments) this.log.shift();
      store.update({ readings, through, sigma, minute: [...store.value.minute.filter((m) => time - m.time < minute), moment] });
      const took = performance.now() - began;
      await new Promise((resolve) => setTimeout(resolve, Math.max(readEvery - took, Math.min(readRest * took, longestRest))));
    }
  }

  /**
   * #look holds the geometry against pairs of now.
   * @param {number} turn
   */
  async #look(turn) {
    const late = () => turn !== this.#turn;
    if (this.finder.busy || this.store.value.effects.stage !== "performer") return;
    const taken = await this.#ask((id) => ({ sample: { id, count: looks, moved: true } }));
    if (late() || this.finder.busy) return;
    const recipe = { version: this.about.recipe, ...this.#settings(), background: "" };
    this.finder.port.postMessage({ files: { clear: [folders.look], put: [...this.#laid(folders.look, taken), [`${folders.look}/recipe.json`, json(recipe)]] } });
    try {
      const { result } = await this.engines.call("bump", { path: `${folders.look}/recipe.json` }, { worker: this.finder });
      if (!late()) this.store.update({ bump: result, ...(result.moved ? { status: `The rig has moved by ${result.pixels.toFixed(1)} pixels` } : {}) });
    } catch (error) {
      if (!late()) this.store.update({ bump: { pixels: 0, sigma: 0, moved: false, why: messageOf(error) } });
    }
  }

  /**
   * shoot makes a reference plate.
   * @param {"clean" | "dark"} name
   */
  async shoot(name) {
    const { store } = this;
    store.update({ working: `The ${name} plate: ${averaged} frames; keep out of the picture`, wrong: "" });
    const turn = this.#turn;
    /** @type {Average} */
    const { moved, ...plates } = await this.#ask((id) => ({ average: { id, count: averaged } }));
    if (turn !== this.#turn) return;
    store.update({ working: "" });
    const why = moved ? "something moved before the cameras" : name === "dark" && this.#references.clean && bright(plates.band) > bright(this.#references.clean.band) / 4 ? "there is light in it: put the lamps out, or cap both lenses" : "";
    if (why) {
      store.update({ wrong: `No ${name} plate: ${why}. Shoot it again.` });
      return;
    }
    this.#references = { ...this.#references, [name]: plates };
    store.update({ have: { ...store.value.have, [name]: true }, status: `The ${name} plate is taken` });
    if (store.value.ready) await this.prepare({ again: true });
  }

  // forget takes the reference plates away.
  async forget() {
    this.#references = {};
    this.store.update({ have: {} });
    if (this.store.value.ready) await this.prepare({ again: true });
  }

  /** @returns {Promise<Still>} */
  still() {
    return this.#ask((id) => ({ still: { id } }));
  }

  // references are the reference plates as PNG files, for a test shot.
  references() {
    return this.#references;
  }
}

const mostMoments = 60 * 60 * 2 * 4; // of the log: four hours of two a second

/**
 * bright returns about the brightest of a plate of 16 bits.
 * @param {Pixels} p
 */
function bright({ data }) {
  let top = 0;
  for (let i = 2; i < data.length; i += 6 * 97) top = Math.max(top, data[i]); // green's high byte of every 97th pixel
  return top;
}
