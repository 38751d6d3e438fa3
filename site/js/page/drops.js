// What is dropped or chosen: sorted into the wells.
import { $, dialog, dropped, el, fill } from "../dom.js";
import { isAbort, messageOf } from "../errors.js";
import { notDone, refuse } from "./notices.js";
import { readRecipe, loadRecipe } from "./recipe.js";
import { clipExtensions, group, is, isArchive, isClip, isRecipe, sort, wells as wellList } from "./sort.js";
import { unbroken } from "./state.js";
import { expand } from "./take.js";

/** @typedef {import("./sort.js").Dropped} Dropped */
/** @typedef {import("./sort.js").Sorted} Sorted */

export class Drops {
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
   * all sorts one drop of anything into the wells.
   * @param {Dropped[]} list
   */
  async all(list) {
    const { store } = this;
    if (!list.length) return;
    store.update({ busy: { text: "Sorting what was dropped" }, errors: {}, tab: "plates" });
    try {
      const { extensions } = await this.engines.ready;
      const entries = await unpacked(list);
      const recipe = entries.find((e) => isRecipe(e.path));
      const plates = entries.filter((e) => is(e.path, extensions) || isClip(e.path));
      const strange = entries.filter((e) => e !== recipe && !plates.includes(e) && !/(^|\/)\./.test(e.path));
      /** @type {Record<string, string>} */
      const wrong = {};
      if (strange.length) {
        const names = `${strange[0].path}${strange.length > 1 ? ` and ${strange.length - 1} more` : ""}`;
        wrong.general = `${names}: plates are frames (${extensions.join(" ")}) or clips (${clipExtensions.join(" ")}); the rest was left out`;
      }
      store.update({ errors: wrong });
      if (!plates.length) {
        if (recipe) await loadRecipe(store, recipe.file);
        return;
      }
      const { placed, unsure } = await sort(plates, (entry) => this.#describe(entry));
      if (unsure.length) await ask(placed, unsure);
      // A drop with both plates is a new take; one without adds to the take that is there.
      const fresh = placed.has("color") && placed.has("band");
      await this.#fill(placed, fresh || store.value.demo, wrong, recipe);
    } catch (error) {
      if (!isAbort(error)) refuse(store, error);
    } finally {
      store.update({ busy: null });
      if (Object.keys(store.value.errors).length) store.update({ tab: "plates" });
    }
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
   * #fill puts entries into wells.
   * @param {Sorted} placed
   * @param {boolean} fresh nothing of the take before is left
   * @param {Record<string, string>} wrong errors so far, by well
   * @param {Dropped} [recipeFile]
   */
  async #fill(placed, fresh, wrong, recipeFile) {
    const { store } = this;
    const { open: openClip } = await import("../files/clips.js");
    const { pixels } = await this.engines.ready;
    const wells = fresh ? {} : { ...store.value.wells };
    for (const [well, entries] of placed) {
      if (!entries.length) {
        delete wells[well];
        continue;
      }
      store.update({ busy: { text: `Reading ${entries[0].path}` } });
      try {
        wells[well] = await expand(entries, (file) => openClip(file, pixels));
      } catch (error) {
        wrong[well] = messageOf(error);
        store.update({ status: notDone(wrong[well]) });
      }
    }
    const recipe = recipeFile ? await readRecipe(recipeFile.file) : fresh ? {} : store.value.recipe;
    const { b } = store.value;
    store.choose({ wells, recipe, demo: false, breaks: unbroken, b: b === "green" ? null : b });
    await this.opening.done;
    store.update({ errors: { ...wrong, ...store.value.errors } });
  }

  /**
   * #describe has the engine look at a picture.
   * @param {Dropped} entry
   */
  async #describe({ path, file }) {
    const [worker] = this.engines.workers;
    const name = `/look/${path.slice(path.lastIndexOf("/") + 1)}`;
    worker.port.postMessage({ files: { clear: ["/look"], put: [[name, file]] } });
    return (await this.engines.call("look", { path: name }, { worker, urgent: true })).result;
  }
}

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

/**
 * ask has the user say which plate is which.
 * @param {Sorted} placed what is known; the answers are added
 * @param {Dropped[][]} unsure
 */
function ask(placed, unsure) {
  const rows = unsure.map((entries, i) => {
    const select = el("select", { "aria-label": entries[0].path }, el("option", { value: "" }, "leave it out"), wellList.map((w) => el("option", { value: w.id }, w.title)));
    const free = wellList.find((w) => !placed.has(w.id) && !(i > 0 && w.id === "color"));
    select.value = free?.id ?? "";
    return { entries, select, node: el("div", { className: "sort-row" }, el("span", {}, entries.length > 1 ? `${entries[0].path} … (${entries.length})` : entries[0].path), select) };
  });
  fill($("sort-rows"), rows.map((r) => r.node));
  const question = dialog("sort-dialog");
  question.showModal();
  return new Promise((resolve) => question.addEventListener("close", () => {
    if (question.returnValue === "ok") for (const { entries, select } of rows) if (select.value) placed.set(select.value, entries);
    resolve(undefined);
  }, { once: true }));
}
