// Opening: the wells and the recipe that are chosen become the take that is shown.
import { isAbort } from "../errors.js";
import { steam } from "./demo.js";
import { refuse } from "./notices.js";

const late = 1500; // ms after which it is said how long it takes already
const tick = 500; // ms between two words about it

export class Opening {
  #turn = 0; // counts the openings, and what ends one
  #done = Promise.resolve();

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

  begin() {
    this.#done = this.#open();
  }

  async #open() {
    const { store } = this;
    const mine = ++this.#turn;
    const { wells, recipe, demo } = store.value;
    this.frames.leave();
    store.update({ playing: false, ready: null, errors: {}, failed: new Map(), readings: null, pixel: null, range: null });
    const missing = [wells.color?.length ? "" : "color plate", wells.band?.length ? "" : "band plate"].filter(Boolean);
    if (missing.length) {
      this.#nothing(`Give a ${missing.join(" and a ")}, and the take opens.`);
      return;
    }
    store.update({ empty: "" });
    const clock = this.#watch(mine);
    try {
      const opened = await this.take.open(wells, { version: store.value.version, ...recipe });
      if (mine !== this.#turn) return;
      const frames = opened.frames.map((pair) => pair.Number);
      const { frame } = store.value;
      store.update({ frames, frame: frames.includes(frame) ? frame : frames[0] });
      performance.mark("opened");
      const ready = await this.take.prepare();
      performance.mark("prepared");
      if (mine !== this.#turn) return;
      store.update({ ready: { ...ready, notes: [...new Set([...opened.notes, ...ready.notes])] } });
      clearInterval(clock);
      store.update({ busy: null });
      if (!this.viewer.begun) await this.#first();
      await this.frames.seek(store.value.frame, { thumbs: true });
      if (mine !== this.#turn) return;
      if (!store.value.pixel) this.probe.at(demo ? steam : { x: Math.floor(ready.w / 2), y: Math.floor(ready.h / 2) }, this.frames.signal);
      this.take.share(ready).then(() => this.frames.prefetch(), (error) => isAbort(error) || refuse(store, error));
    } catch (error) {
      if (mine !== this.#turn || isAbort(error)) return;
      this.#nothing("The take does not open. Under Plates it says why.");
      refuse(store, error);
      store.update({ tab: "plates" });
    } finally {
      clearInterval(clock);
      if (mine === this.#turn) store.update({ busy: null });
    }
  }

  /**
   * #nothing says in the picture's place why there is no take.
   * @param {string} why
   */
  #nothing(why) {
    this.take.forget();
    this.viewer.show(0, null);
    this.viewer.show(1, null);
    this.store.update({ frames: [], thumbs: [], busy: null, empty: why });
    this.viewer.begin();
  }

  /**
   * #watch says what is waited for, and for how long already, with a way to stop it.
   * @param {number} mine
   */
  #watch(mine) {
    const { store, engines } = this;
    const began = performance.now();
    const stop = async () => {
      this.#turn++;
      store.update({ busy: { text: "Stopping" } });
      await engines.restart();
      store.update({ busy: null, tab: "plates", errors: { ...store.value.errors, general: "stopped: change a plate or a setting, or undo, and the take opens again" } });
    };
    const say = () => {
      if (mine !== this.#turn) return;
      const passed = performance.now() - began;
      store.update({ busy: { text: `Making the take ready${passed > late ? `: ${Math.round(passed / 1000)} s` : ""}`, stop } });
    };
    say();
    return setInterval(say, tick);
  }

  // #first shows the sum before the viewer, which is as large a program as the engine, is fetched.
  async #first() {
    const { frame, breaks } = this.store.value;
    try {
      const { result, buffers } = await this.engines.call("display", { number: frame, breaks, stations: ["sum"], width: 0 }, { urgent: true });
      this.viewer.first(buffers[0], result.w, result.h);
      performance.mark("composite");
    } finally {
      this.viewer.begin();
    }
  }
}
