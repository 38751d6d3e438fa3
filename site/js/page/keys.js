// The keyboard: what a key does on the page, and in the picture where that has no use for it.
import { stations } from "./stations.js";

// Where a key is the element's own: fields take them all, but for a check box; buttons and the like
// take the space bar.
const fields = "input:not([type=checkbox]), select, textarea";
const pressed = "button, summary, a, input, [role=tabpanel]";

/**
 * keysOf returns the listener of keys.
 * @param {import("./state.js").PageStore} store
 * @param {import("./player.js").Player} player
 * @param {import("./frames.js").Frames} frames
 * @param {import("./viewer.js").Viewer} viewer
 */
export const keysOf = (store, player, frames, viewer) => (/** @type {KeyboardEvent} */ event) => {
  // One from the picture is from another document: its elements are none of this one's classes.
  const into = /** @type {Partial<HTMLElement> & {type?: string} | null} */ (event.target);
  if (event.defaultPrevented || event.altKey || into?.closest?.("dialog")) return;
  if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z" && into?.type !== "text" && into?.type !== "number") {
    event.preventDefault();
    if (event.shiftKey) store.redo();
    else store.undo();
    return;
  }
  const { value } = store;
  if (event.ctrlKey || event.metaKey || into?.matches?.(fields) || !value.frames.length) return;
  const inTabs = into?.closest?.("[role=tablist]");
  const step = (/** @type {number} */ by) => {
    if (!inTabs) player.step(by);
  };
  const acts = new Map([
    ["ArrowLeft", () => step(-1)],
    ["ArrowRight", () => step(1)],
    ["Home", () => frames.seek(value.frames[0])],
    ["End", () => frames.seek(value.frames[value.frames.length - 1])],
    ["w", () => viewer.api?.fit()],
    ["p", () => viewer.api?.actual()],
    ["d", () => store.choose({ b: value.b ? null : value.a === "color" ? "sum" : "color" }, "beside")],
    ...stations.map(({ id }, i) => /** @type {const} */ ([String(i + 1), () => store.choose({ a: id }, "station")])),
  ]);
  if (!into?.matches?.(pressed)) acts.set(" ", () => player.toggle());
  const act = acts.get(event.key) ?? acts.get(event.key.toLowerCase());
  if (!act) return;
  event.preventDefault();
  act();
};
