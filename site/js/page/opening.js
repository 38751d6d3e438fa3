// Opening: the wells and the recipe that are chosen become the take that is shown. Where the geometry
// must be found, a draft comes first, from reduced plates and a few frames, and the full one is made
// behind it.
import { isAbort } from "../errors.js";
import { steam } from "./demo.js";
import { finishAlone, finishOf, finishedBy, known } from "./estimates.js";
import { refuse } from "./notices.js";
import { hasSum } from "./state.js";

/** @typedef {import("./state.js").Wells} Wells */
/** @typedef {import("./operations.js").Prepared} Prepared */
/** @typedef {import("./operations.js").Opened} Opened */
/** @typedef {{say: (text: string, part?: number) => void, end: () => void}} Words what is said of the work, and how much of it is done, 0 to 1 */

const tick = 1000; // ms between two words about how long it takes already, in seconds
const late = 1500; // ms after which that is said
const drag = 300; // ms between two changes of the finish that one move of a hand makes, at the most
const draftFrames = 2; // that a draft is made from: each takes as long to read as to work on
const near = 24; // frames from the first that a draft takes of a clip with few key frames: more would take long to decode

// Where each part of preparing begins, in parts of the whole: of HD clips without clean plates, measured.
/** @type {Record<string, number>} */
const stages = { "the geometry between the cameras": 0.05, "the lenses": 0.5, "the screen, the crosstalk and the reference plates": 0.65 };

export class Opening {
  #turn = 0; // counts the openings, and what ends one
  #done = Promise.resolve();
  /** @type {import("./estimates.js").Known | null} */
  #known = null; // the take that was prepared last
  /** @type {Wells[string] | undefined} */
  #color; // the color plate of the take that was opened last
  #opens = false; // a take is open, or being opened
  #finished = -Infinity; // when the finish was changed last
  /** @type {string[]} */
  #notes = []; // of the take that is ready, as the first engine gave them

  /**
   * @param {import("./state.js").PageStore} store
   * @param {import("./engines.js").Engines} engines
   * @param {import("./take.js").Take} take
   * @param {import("./viewer.js").Viewer} viewer
   * @param {import("./frames.js").Frames} frames
   * @param {import("./probe.js").Probe} probe
   */
  constructor(store, engines, take, viewer, frames, probe) {
    this.store = store;
    this.engines = engines;
    this.take = take;
    this.viewer = viewer;
    this.frames = frames;
    this.probe = probe;
  }

  // done resolves when the opening that began last has ended, well or not.
  get done() {
    return this.#done;
  }

  /**
   * changed follows a change of the wells or the recipe. Where that is the recipe's finish alone, the take
   * stays as it is, or is being made, and its frames are made with the new one.
   * @param {import("./state.js").State} value
   * @param {import("./state.js").State} before
   */
  changed({ wells, recipe }, before) {
    if (this.#opens && wells === before.wells && finishAlone(before.recipe, recipe)) this.#finish();
    else this.begin();
  }

  async #finish() {
    const { store, engines, frames } = this;
    const { recipe } = store.value;
    engines.finish = finishOf(recipe);
    if (!store.value.ready) return; // what is being opened is shown with it
    store.update({ errors: {}, failed: new Map() });
    const before = this.#finished;
    this.#finished = performance.now();
    if (!store.value.playing) await frames.seek(store.value.frame, { moving: this.#finished - before < drag });
    if (store.value.recipe !== recipe) return; // the next change asks
    try {
      const { result } = await engines.call("finish", {}, { worker: engines.workers[0], signal: frames.signal });
      const { ready } = store.value;
      if (!ready || store.value.recipe !== recipe || !this.#known) return;
      const notes = union(ready.notes.filter((note) => !this.#notes.includes(note) || result.notes.includes(note)), result.notes);
      this.#notes = result.notes;
      this.#known = { ...this.#known, recipe, ready: { ...ready, notes, recipe: finishedBy(ready.recipe, recipe) } };
      store.update({ ready: this.#known.ready });
    } catch (error) {
      if (!isAbort(error)) refuse(store, error);
    }
  }

  begin() {
    this.#opens = true;
    this.#done = this.#waited().then(() => this.#open());
  }

  // #waited resolves once nothing is being saved: that is of the take that is there, and goes first.
  async #waited() {
    const { store } = this;
    if (!store.value.saving) return;
    store.update({ busy: { text: "What is being saved comes first; then this change", stop: store.value.saving.stop } });
    await new Promise((resolve) => store.subscribe(["saving"], ({ saving }) => saving || resolve(undefined)));
  }

  async #open() {
    const { store, take } = this;
    const mine = ++this.#turn;
    const { wells, recipe, again } = store.value;
    if (again?.found && again.recipe === recipe) this.#known = { wells, recipe, ready: again.found };
    this.frames.leave();
    store.update({ playing: false, ready: null, errors: {}, failed: new Map(), readings: null, pixel: null, range: null, again: null });
    if (wells.color !== this.#color) store.update({ shown: null, thumbs: [] }); // what is seen of another take has no names any more
    this.#color = wells.color;
    const missing = [wells.color?.length ? "" : "color plate", wells.band?.length ? "" : "band plate"].filter(Boolean);
    if (missing.length) {
      this.#nothing(`Drop a ${missing.join(" and a ")} here, and the take opens; Open plates, above, does the same.`);
      return;
    }
    store.update({ empty: "" });
    this.engines.finish = finishOf(recipe);
    const { estimates, all } = known(this.#known, wells, recipe);
    let words = this.#watch(mine, all && !again ? "Applying what has changed" : "Opening the take");
    try {
      take.lay(wells, { version: store.value.version, ...recipe, ...estimates }, (all && this.#known?.planes) || null);
      const { geometry } = { ...recipe, ...estimates };
      if ((geometry ?? "auto") === "auto") await this.#draft(mine, words);
      if (mine !== this.#turn) return;
      const opened = await take.open();
      if (mine !== this.#turn) return;
      this.#number(opened);
      performance.mark("opened");
      const before = all && this.#known?.ready;
      /** @type {(found: Prepared) => Prepared} */
      const told = (found) => {
        const ready = before ? { ...found, model: before.model, residual_px: before.residual_px, notes: before.notes, warnings: union(before.warnings, found.warnings), grave: union(before.grave, found.grave) } : { ...found, notes: union(opened.notes, found.notes) };
        this.#notes = found.notes;
        this.#known = found.no_noise ? null : { wells, recipe, ready, planes: take.planes };
        return ready;
      };
      const found = await take.prepare((stage) => words.say(`${store.value.ready ? "Refining the draft" : "Making the take ready"}: ${stage}`, stages[stage]));
      performance.mark("prepared");
      if (mine !== this.#turn) return;
      let ready = told(found);
      take.begin();
      await this.#show(ready, words);
      if (mine !== this.#turn) return;
      if (ready.no_noise) {
        words = this.#watch(mine, "Measuring the cameras' noise, for the error bar of alpha");
        const more = await take.noise();
        if (mine !== this.#turn) return;
        ready = told(more);
        store.update({ ready });
        words.end();
        if (store.value.recipe !== recipe) this.#finish();
      }
      if (!store.value.pixel) this.probe.at(store.value.demo ? steam : { x: Math.floor(ready.w / 2), y: Math.floor(ready.h / 2) }, this.frames.signal);
      store.update({ engines: take.room(ready) });
      this.#share(ready, recipe).catch((error) => isAbort(error) || refuse(store, error));
    } catch (error) {
      if (mine !== this.#turn || isAbort(error)) return;
      this.#nothing("The take does not open. Under Plates it says why.");
      refuse(store, error);
      store.update({ tab: "plates" });
    } finally {
      words.end();
    }
  }

  /**
   * #share has all engines make the take's frames; then come the doubts that take longest to be told.
   * @param {Prepared} ready
   * @param {import("./state.js").Recipe} recipe that it was made ready with
   */
  async #share(ready, recipe) {
    const { store, take } = this;
    const { first, notes } = await take.share(ready);
    if (this.#known) this.#known = { ...this.#known, planes: take.planes };
    if (notes) {
      this.#notes = notes;
      if (store.value.recipe !== recipe) this.#finish();
    }
    this.frames.prefetch();
    const doubts = await take.doubts(first);
    const { ready: now } = store.value;
    if (!doubts.length || !now || !this.#known) return;
    this.#known = { ...this.#known, ready: { ...now, warnings: union(doubts, now.warnings), grave: union(doubts, now.grave) } };
    store.update({ ready: this.#known.ready });
  }

  /**
   * #draft shows the take from reduced plates. Where that cannot be done the full one comes alone,
   * and says what is wrong.
   * @param {number} mine
   * @param {Words} words
   */
  async #draft(mine, words) {
    words.say("Making a draft", 0.02);
    try {
      const { opened, ready } = await this.take.draft(this.store.value.wells.color[0].name, ({ w, h }, rgba) => mine === this.#turn && this.#wait(rgba, w, h), (found) => this.#samples(found));
      if (mine !== this.#turn) return;
      this.#number(opened);
      await this.#show(ready);
      performance.mark("draft");
    } catch (error) {
      if (isAbort(error)) throw error;
    }
  }

  /**
   * #wait shows the color plate while nothing else is there of the take.
   * @param {Uint8Array<ArrayBuffer>} rgba
   * @param {number} w
   * @param {number} h
   */
  #wait(rgba, w, h) {
    this.store.update({ shown: null, thumbs: [{ station: "color", w, h, rgba }] });
    this.viewer.wait(rgba, w, h);
  }

  /**
   * #samples chooses the frames that a draft is made from, spread over the take: of a clip key frames,
   * where it has enough, since others take long to decode.
   * @param {Opened} opened
   */
  #samples({ frames }) {
    const { clip } = this.store.value.wells.color?.[0] ?? {};
    const numbers = frames.map((pair) => pair.Number);
    const spread = (/** @type {number[]} */ from) => Array.from({ length: Math.min(draftFrames, from.length) }, (_, k) => from[Math.floor(((2 * k + 1) * from.length) / (2 * draftFrames))]);
    if (!clip) return spread(numbers);
    const keys = new Set([...clip.keys].map((time) => clip.timestamps.findIndex((t) => t >= time - 1e-9) + 1));
    const quick = frames.filter((pair) => keys.has(Number(/(\d+)\.y4m$/.exec(pair.Color)?.[1]))).map((pair) => pair.Number);
    return spread(quick.length >= draftFrames ? quick : numbers.slice(0, near));
  }

  /**
   * #number tells which frames the take has.
   * @param {Opened} opened
   */
  #number({ frames }) {
    const numbers = frames.map((pair) => pair.Number);
    const { frame } = this.store.value;
    this.store.update({ frames: numbers, frame: numbers.includes(frame) ? frame : numbers[0] });
  }

  /**
   * #show shows a take that can be worked with.
   * @param {Prepared} ready
   * @param {Words} [words] that end with it
   */
  async #show(ready, words) {
    const { store } = this;
    store.update({ ready });
    if (!this.viewer.begun) await this.#first();
    words?.end();
    await this.frames.seek(store.value.frame, { thumbs: true });
    this.viewer.wait(null);
  }

  /**
   * #nothing says in the picture's place why there is no take.
   * @param {string} why
   */
  #nothing(why) {
    this.#opens = false;
    this.take.forget();
    this.viewer.wait(null);
    this.viewer.poster("");
    this.viewer.show(0, null);
    this.viewer.show(1, null);
    this.store.update({ frames: [], ready: null, thumbs: [], busy: null, empty: why });
    this.viewer.begin();
  }

  /**
   * #watch says what is waited for, how far it is, and for how long already, with a way to stop it.
   * @param {number} mine
   * @param {string} text
   * @returns {Words}
   */
  #watch(mine, text) {
    const { store, engines } = this;
    let began = performance.now();
    /** @type {number | undefined} */
    let part;
    const stop = async () => {
      this.#turn++;
      this.#opens = false;
      words.end();
      store.update({ busy: { text: "Stopping" } });
      await engines.restart();
      store.update({ busy: null, tab: "plates", errors: { ...store.value.errors, general: "stopped: change a plate or a setting, or undo, and the take opens again" } });
    };
    const tell = () => {
      const passed = performance.now() - began;
      if (mine === this.#turn) store.update({ busy: { text: `${text}${passed > late ? `, ${Math.round(passed / 1000)} s` : ""}`, part, stop } });
    };
    const clock = setInterval(tell, tick);
    /** @type {Words} */
    const words = {
      say: (more, to) => {
        if (text !== more) began = performance.now();
        [text, part] = [more, to ?? part];
        tell();
      },
      end: () => {
        clearInterval(clock);
        if (mine === this.#turn) store.update({ busy: null });
      },
    };
    tell();
    return words;
  }

  // #first shows the composite before the viewer, which is as large a program as the engine, is
  // fetched.
  async #first() {
    const { frame, breaks } = this.store.value;
    try {
      const { result, buffers } = await this.engines.call("display", { number: frame, breaks, stations: [hasSum(this.store.value) ? "sum" : "foreground"], width: 0 }, { urgent: true });
      this.viewer.first(buffers[0], result.w, result.h);
      performance.mark("composite");
    } finally {
      this.viewer.begin();
    }
  }
}

/**
 * union is the texts of both, each once.
 * @param {string[]} some
 * @param {string[]} others
 */
const union = (some, others) => [...new Set([...some, ...others])];
