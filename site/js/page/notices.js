// What the page says: what is waited for, why there is no picture, the last word for those who
// listen, and errors beside the well that they are about.
import { $, button, el, fill } from "../dom.js";
import { messageOf } from "../errors.js";
import { wells } from "./sort.js";
import { gravesOf, hasSum } from "./state.js";
import { titleOf } from "./stations.js";

/** @typedef {import("./state.js").PageStore} PageStore */

/**
 * refuse says that something was not done, and puts the reason beside the well that it names.
 * @param {PageStore} store
 * @param {unknown} error
 */
export function refuse(store, error) {
  const text = messageOf(error);
  const well = wells.find((w) => text.includes(`${w.id}/`) || text.startsWith(w.title.toLowerCase()))?.id ?? "general";
  store.update({ errors: { ...store.value.errors, [well]: text }, status: notDone(text) });
}

/** @param {string} text */
export const notDone = (text) => `Not done: ${text}`;

/** @param {PageStore} store */
export function drawNotices(store) {
  store.show(["status"], ({ status }) => ($("status").textContent = status));
  store.show(["busy"], ({ busy }) => {
    $("working").hidden = !busy;
    $("working-text").textContent = busy?.text ?? "";
    const bar = /** @type {HTMLProgressElement} */ ($("working-part"));
    bar.hidden = busy?.part === undefined;
    bar.value = busy?.part ?? 0;
    button("working-stop").hidden = !busy?.stop;
    button("working-stop").onclick = busy?.stop ?? null;
  });
  store.show(["empty"], ({ empty }) => {
    $("empty").textContent = empty;
    $("empty").hidden = !empty;
  });
  store.show(["lacks"], ({ lacks }) => {
    $("lacks").hidden = !lacks.length;
    $("lacks").textContent = lacks.join(" ");
  });
  store.show(["ready", "wells", "recipe", "empty", "shown"], (value) => {
    const graves = value.empty || !value.shown ? [] : gravesOf(value);
    $("badge").hidden = !graves.length;
    $("badge-title").textContent = `✕ The result may be wrong${graves.length > 1 ? `: ${graves.length} reasons` : ""}`;
    fill($("badge-list"), graves.map((text) => el("li", {}, text)));
  });
  store.show(["wells", "empty", "shown", "a"], ({ wells, empty, shown, a }) => {
    $("hint").hidden = !!empty || !shown || hasSum({ wells }) || !["sum", "held", "background"].includes(a);
  });
  store.show(["shown", "empty"], ({ shown, empty }) => {
    const name = (/** @type {string | null | undefined} */ station) => (!station || empty ? "" : shown?.draft ? `${titleOf(station)}, draft` : titleOf(station));
    $("name-a").textContent = name(shown?.a);
    $("name-b").textContent = name(shown?.b);
  });
}
