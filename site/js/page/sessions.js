// The takes that are kept: the one that is open is, once it can be worked with; a reload opens it again.
import { paint } from "../dom.js";
import { messageOf } from "../errors.js";
import { nameOf } from "./state.js";

const current = "twinplate-take"; // in the local storage: the id of the take that a reload opens
const posters = "twinplate-poster"; // likewise: a small picture of it
const soon = 500; // ms after a change until the recipe is kept

export class Sessions {
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  #timer;

  /**
   * @param {import("./state.js").PageStore} store
   * @param {import("./drops.js").Drops} drops
   */
  constructor(store, drops) {
    this.store = store;
    this.drops = drops;
    store.subscribe(["ready", "recipe", "demo"], ({ ready, demo }) => {
      clearTimeout(this.#timer);
      if (demo) this.#leave();
      else if (ready && !ready.draft && !ready.no_noise) this.#timer = setTimeout(() => this.#keep(), soon);
    });
    store.subscribe(["thumbs"], () => this.#portray());
    store.subscribe(["tab"], ({ tab }) => tab === "plates" && this.#tell());
    addEventListener("beforeunload", (event) => {
      if (store.value.keeping) event.preventDefault(); // the browser asks whether to leave
    });
  }

  // poster is a small picture of the take that is opened again, as an address; null where that is the demo.
  get poster() {
    return localStorage.getItem(current) && localStorage.getItem(posters);
  }

  // #portray keeps one.
  #portray() {
    const { ready, thumbs } = this.store.value;
    const src = ready && !ready.draft && localStorage.getItem(current) ? posterOf(thumbs) : "";
    if (src) localStorage.setItem(posters, src);
  }

  // #leave has a reload open the demo.
  #leave() {
    localStorage.removeItem(current);
    localStorage.removeItem(posters);
  }

  /**
   * again opens the take that was open last, and reports whether there was one.
   */
  async again() {
    const id = localStorage.getItem(current);
    if (!id) return false;
    try {
      const take = (await (await import("./kept.js")).list()).find((take) => take.id === id);
      return !!take && (await this.open(take));
    } catch (error) {
      this.store.update({ errors: { general: `the last take cannot be opened again: ${messageOf(error)}` } });
      return false;
    }
  }

  /**
   * open opens a take that is kept, and reports whether it could be; else it says what is to be given.
   * @param {import("./kept.js").Kept} take
   */
  async open(take) {
    const { store } = this;
    if (!take.held) {
      const names = Object.values(take.plates).flat().map(({ path }) => path);
      store.update({ tab: "plates", errors: { general: `${take.name}: its files are not kept, for there was no room. Give them again: ${names.slice(0, 6).join(", ")}${names.length > 6 ? ` and ${names.length - 6} more` : ""}` } });
      return false;
    }
    const files = await (await import("./kept.js")).files(take);
    await this.drops.take(files, take.recipe, take.found ?? null);
    return true;
  }

  /**
   * forget takes one away, or all.
   * @param {string} [id]
   */
  async forget(id) {
    await (await import("./kept.js")).forget(id);
    if (!id || localStorage.getItem(current) === id) this.#leave();
    await this.#tell();
  }

  async #keep() {
    const { store } = this;
    const { value } = store;
    store.update({ keeping: true });
    try {
      const { id, why } = await (await import("./kept.js")).keep(nameOf(value), value);
      localStorage.setItem(current, id);
      this.#portray();
      store.update({ keptWord: why ? `Of this take only the names and the recipe are kept: ${why}.` : "" });
      await this.#tell();
    } catch (error) {
      store.update({ keptWord: `This take is not kept: ${messageOf(error)}.` });
    } finally {
      store.update({ keeping: false });
    }
  }

  async #tell() {
    const { list } = await import("./kept.js");
    this.store.update({ kept: await list().catch(() => []) });
  }
}

/**
 * posterOf returns a small picture of a take as an address, "" where none is there yet.
 * @param {import("./take.js").Thumb[]} thumbs
 */
function posterOf(thumbs) {
  const of = (/** @type {string} */ id) => thumbs.find(({ station, rgba }) => station === id && rgba);
  const thumb = of("sum") ?? of("foreground") ?? of("color");
  if (!thumb?.rgba) return "";
  const canvas = document.createElement("canvas");
  paint(canvas, thumb.rgba, thumb.w, thumb.h);
  return canvas.toDataURL("image/jpeg", 0.7);
}
