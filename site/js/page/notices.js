// What the page says: what is waited for, why there is no picture, the last word for those who
// listen, and errors beside the well that they are about.
import { $, button } from "../dom.js";
import { wells } from "./sort.js";
import { titleOf } from "./stations.js";

/** @typedef {import("./state.js").Page} Page */

/** @param {unknown} error */
export const messageOf = (error) => (error instanceof Error ? error.message : String(error));

/** @param {unknown} error */
export const isAbort = (error) => error instanceof DOMException && error.name === "AbortError";

/** stopped is why something ends that the user stopped. */
export const stopped = () => new DOMException("stopped", "AbortError");

/**
 * refuse says that something was not done, and puts the reason beside the well that it names.
 * @param {Page} page
 * @param {unknown} error
 */
export function refuse(page, error) {
  const text = messageOf(error);
  const well = wells.find((w) => text.includes(`${w.id}/`) || text.startsWith(w.title.toLowerCase()))?.id ?? "general";
  page.update({ errors: { ...page.value.errors, [well]: text }, status: notDone(text) });
}

/** @param {string} text */
export const notDone = (text) => `Not done: ${text}`;

/** @param {Page} page */
export function drawNotices(page) {
  page.show(["status"], ({ status }) => ($("status").textContent = status));
  page.show(["busy"], ({ busy }) => {
    $("working").hidden = !busy;
    $("working-text").textContent = busy?.text ?? "";
    button("working-stop").hidden = !busy?.stop;
    button("working-stop").onclick = busy?.stop ?? null;
  });
  page.show(["empty"], ({ empty }) => {
    $("empty").textContent = empty;
    $("empty").hidden = !empty;
  });
  page.show(["shown", "empty"], ({ shown, empty }) => {
    const name = (/** @type {string | null | undefined} */ station) => (!station || empty ? "" : shown?.rough ? `${titleOf(station)}, first look` : titleOf(station));
    $("name-a").textContent = name(shown?.a);
    $("name-b").textContent = name(shown?.b);
  });
}
