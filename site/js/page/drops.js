// What is dropped or chosen: sorted into the wells.
import { $, dropped } from "../dom.js";
import { isAbort, messageOf } from "../errors.js";
import { notDone, refuse } from "./notices.js";
import { readRecipe, loadRecipe } from "./recipe.js";
import { byName, clipExtensions, group, is, isArchive, isClip, isRecipe } from "./sort.js";
import { unbroken } from "./state.js";
import { expand } from "./take.js";

/** @typedef {import("./sort.js").Dropped} Dropped */
/** @typedef {import("./sort.js").Sorted} Sorted */

export class Drops {
  /** @type {WeakMap<File, Promise<import("../files/clips.js").Clip>>} */
  #clips = new WeakMap(); // that were opened, to look at or as plates

  /**
   * @param {import("./state.js").PageStore} store
   * @param {import("./engines.js").Engines} engines
   * @param {import("./opening.js").Opening} opening
   */
  constructor(store, engines, opening) {
    this.store = store;
    this.engines = engines;
    this.opening = opening;
  }

  /**
   * drag shows that files may be let go here, and takes them.
   * @param {DragEvent} event
   */
  drag(event) {
    event.preventDefault();
    $("veil").hidden = event.type !== "dragenter" && event.type !== "dragover";
    if (event.type === "drop") dropped(event.dataTransfer).then((list) => this.all(list));
  }

  /**
   * all sorts one drop of anything into the wells. What names do not settle is asked; while the sheet is
   * open, what is dropped goes to it.
   * @param {Dropped[]} list
   */
  async all(list) {
    const { store } = this;
    if (!list.length) return;
    try {
      const { add, ask } = await import("./sheet.js");
      if (add(list)) return;
      store.update({ busy: { text: "Sorting what was dropped" }, errors: {} });
      const entries = await unpacked(list);
      const recipe = entries.find((e) => isRecipe(e.path));
      const plates = await this.#plates(entries);
      if (!plates.length) {
        if (recipe) await loadRecipe(store, recipe.file);
        return;
      }
      // A drop with both plates is a new take; one without adds to the take that is there.
      const groups = group(plates);
      const wells = groups.map(([first]) => byName(first.path));
      const { demo, wells: there } = store.value;
      const only = wells.length === 1 && !wells[0] && has(there) && !demo ? "background" : null; // the usual thing to add
      if (only) await this.#look(groups[0][0]); // one that cannot be read changes nothing
      /** @type {Sorted | null} */
      let placed = new Map(groups.map((entries, i) => [only ?? wells[i] ?? "", entries]));
      const enough = (/** @type {string[]} */ some) => ["color", "band"].every((well) => some.includes(well)) || (has(there) && (!demo || some.every((well) => well === "background")));
      const settled = wells.every((well, i) => well && wells.indexOf(well) === i) && groups.every((g) => g.every((e) => e.file.size));
      if (!(only || settled) || !enough([...placed.keys()])) {
        store.update({ busy: null });
        placed = await ask(plates, (entry) => this.#look(entry), async (more) => this.#plates(await unpacked(more)), enough);
        if (!placed) return;
      }
      await this.#fill(placed, placed.has("color") && placed.has("band"), { ...store.value.errors }, recipe);
    } catch (error) {
      if (!isAbort(error)) refuse(store, error);
    } finally {
      store.update({ busy: null });
      if (Object.keys(store.value.errors).length) store.update({ tab: "plates" });
    }
  }

  /**
   * #plates leaves what can be plates, and says what cannot.
   * @param {Dropped[]} entries
   */
  async #plates(entries) {
    const { extensions } = await this.engines.ready;
    const plates = entries.filter((e) => is(e.path, extensions) || isClip(e.path));
    const strange = entries.filter((e) => !isRecipe(e.path) && !plates.includes(e) && !/(^|\/)\./.test(e.path));
    if (strange.length) {
      const names = `${strange[0].path}${strange.length > 1 ? ` and ${strange.length - 1} more` : ""}`;
      this.store.update({ errors: { ...this.store.value.errors, general: `${names}: plates are frames (${extensions.join(" ")}) or clips (${clipExtensions.join(" ")}); the rest was left out` } });
    }
    return plates;
  }

  /**
   * well puts files into one well, and leaves the others; no files empty it.
   * @param {string} id
   * @param {Dropped[]} list
   */
  async well(id, list) {
    try {
      await this.#fill(new Map([[id, group(list).flat()]]), false, {});
    } catch (error) {
      refuse(this.store, error);
    } finally {
      this.store.update({ busy: null });
    }
  }

  /**
   * take makes files and a recipe the take, with no way back from it.
   * @param {Sorted} placed
   * @param {import("./state.js").Recipe} recipe
   * @param {import("./operations.js").Prepared | null} found what was estimated of it with that recipe before
   */
  async take(placed, recipe, found) {
    try {
      await this.#fill(placed, true, {}, undefined, { recipe, found });
    } finally {
      this.store.update({ busy: null });
    }
  }

  /**
   * #fill puts entries into wells.
   * @param {Sorted} placed
   * @param {boolean} fresh nothing of the take before is left
   * @param {Record<string, string>} wrong errors so far, by well
   * @param {Dropped} [recipeFile]
   * @param {import("./state.js").State["again"]} [given] in place of a file
   */
  async #fill(placed, fresh, wrong, recipeFile, given) {
    const { store } = this;
    const wells = fresh ? {} : { ...store.value.wells };
    const needed = (/** @type {string} */ well) => well === "color" || well === "band";
    for (const [well, entries] of placed) {
      if (!entries.length) {
        delete wells[well];
        continue;
      }
      store.update({ busy: { text: `Reading ${entries[0].path}` } });
      try {
        wells[well] = await expand(entries, (file) => this.#clip(file));
      } catch (error) {
        wrong[well] = messageOf(error);
        store.update({ status: notDone(wrong[well]) });
        if (needed(well)) { // nothing changes without it
          store.update({ errors: wrong });
          return;
        }
      }
    }
    const recipe = given?.recipe ?? (recipeFile ? await readRecipe(recipeFile.file) : fresh ? {} : store.value.recipe);
    const { b } = store.value;
    const demo = store.value.demo && !fresh;
    const choice = { wells, recipe, demo, breaks: unbroken, b: b === "green" && !demo ? null : b };
    if (given) store.update({ ...choice, again: given });
    else store.choose(choice);
    await this.opening.done;
    store.update({ errors: { ...wrong, ...store.value.errors } });
  }

  /**
   * #clip opens a clip, once.
   * @param {File} file
   */
  #clip(file) {
    const opened = this.#clips.get(file) ?? this.engines.ready.then(async ({ pixels }) => (await import("../files/clips.js")).open(file, pixels));
    this.#clips.set(file, opened);
    opened.catch(() => this.#clips.delete(file)); // it may be read the next time
    return opened;
  }

  /**
   * #look has the engine look at a picture, or at one of a clip.
   * @param {Dropped} entry
   */
  async #look({ path, file }) {
    const [worker] = this.engines.workers;
    let name = `/look/${path.slice(path.lastIndexOf("/") + 1)}`;
    /** @type {import("./operations.js").Given} */
    let given = file;
    if (isClip(path)) {
      const clip = await this.#clip(file);
      const middle = clip.timestamps[Math.floor(clip.frames / 2)];
      const key = clip.keys.findLast((time) => time <= middle) ?? clip.keys[0]; // others take long to decode
      given = { clip, index: Math.max(0, clip.timestamps.findIndex((time) => time >= key - 1e-9)) };
      name += ".y4m";
    }
    worker.port.postMessage({ files: { put: [[name, given]] } });
    try {
      const { result, buffers } = await this.engines.call("look", { path: name, width: 192 }, { worker, urgent: true });
      return { look: result, rgba: buffers[0] };
    } catch (error) {
      throw new Error(messageOf(error).replace(/^\/look\//, ""));
    }
  }
}

/**
 * has reports whether there is a take to add to.
 * @param {import("./state.js").Wells} wells
 */
const has = (wells) => !!wells.color?.length && !!wells.band?.length;

/**
 * unpacked returns what was dropped, with what archives have in their place.
 * @param {Dropped[]} list
 */
async function unpacked(list) {
  /** @type {Dropped[]} */
  const out = [];
  for (const entry of list) {
    if (isArchive(entry.path)) out.push(...(await (await import("../files/archive.js")).unzip(entry.file)));
    else out.push(entry);
  }
  return out;
}
