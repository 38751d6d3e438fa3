// The tabs beside the picture, and the panel of the one that is open. A panel is drawn anew when
// something that it shows changes.
import { $, el } from "../dom.js";

/** @typedef {import("./state.js").State} State */

/**
 * @typedef {object} Panel
 * @property {string} id
 * @property {string} title
 * @property {(keyof State)[]} reads the fields that it shows
 * @property {(into: Element, value: State) => void} draw
 */

/**
 * drawPanels makes the tabs and keeps the open panel up to date.
 * @param {import("./state.js").PageStore} store
 * @param {Panel[]} panels
 */
export function drawPanels(store, panels) {
  $("tabs").append(...panels.map(({ id, title }, i) => el("button", {
    type: "button", role: "tab", id: `tab-${id}`, "aria-controls": `panel-${id}`,
    onclick: () => store.update({ tab: id }),
    onkeydown: (/** @type {KeyboardEvent} */ event) => {
      const to = new Map([["ArrowRight", i + 1], ["ArrowLeft", i - 1], ["Home", 0], ["End", panels.length - 1]]).get(event.key);
      if (to === undefined) return;
      event.preventDefault();
      event.stopPropagation();
      const next = panels[(to + panels.length) % panels.length].id;
      store.update({ tab: next });
      $(`tab-${next}`).focus();
    },
  }, title)));
  store.show(["tab"], ({ tab }) => {
    for (const { id } of panels) {
      const on = id === tab;
      $(`tab-${id}`).setAttribute("aria-selected", String(on));
      $(`tab-${id}`).tabIndex = on ? 0 : -1;
      $(`panel-${id}`).hidden = !on;
    }
  });
  const draw = afterPresses((/** @type {Panel} */ panel) => redraw(panel, store.value));
  for (const panel of panels) {
    store.show(["tab", ...panel.reads], ({ tab }) => tab === panel.id && draw(panel));
  }
}

/**
 * afterPresses has a panel drawn, but not while the pointer is down on one: a button that is
 * replaced meanwhile would not be pressed.
 * @param {(panel: Panel) => void} draw
 */
function afterPresses(draw) {
  /** @type {Set<Panel>} */
  const late = new Set();
  let pressed = false;
  const released = () => setTimeout(() => { // the click comes first
    pressed = false;
    for (const panel of late) draw(panel);
    late.clear();
  });
  $("panels").addEventListener("pointerdown", () => (pressed = true));
  addEventListener("pointerup", released);
  addEventListener("pointercancel", released);
  return (/** @type {Panel} */ panel) => {
    if (pressed) late.add(panel);
    else draw(panel);
  };
}

/**
 * nameOf is what an element of a panel is called, to find it when it is drawn anew: its group, and its
 * label, or its text.
 * @param {Element} node
 */
const nameOf = (node) => [node.tagName, node.closest("fieldset, details")?.querySelector("legend, summary")?.firstChild?.textContent, node.getAttribute("aria-label") ?? node.closest("label")?.firstChild?.textContent ?? node.textContent].join(" ");

/**
 * redraw draws a panel; the focus stays on the element of the same name, of several on the same of them.
 * @param {Panel} panel
 * @param {State} value
 */
function redraw({ id, draw }, value) {
  const into = $(`panel-${id}`);
  const before = into.contains(document.activeElement) && into !== document.activeElement ? document.activeElement : null;
  const named = (/** @type {string} */ name) => /** @type {(HTMLElement & {disabled?: boolean})[]} */ ([...into.querySelectorAll("*")]).filter((node) => nameOf(node) === name && !node.disabled);
  const name = before && nameOf(before);
  const i = before && name ? named(name).indexOf(/** @type {HTMLElement} */ (before)) : 0;
  draw(into, value);
  if (!name) return;
  const nodes = named(name);
  (nodes[i] ?? nodes[0])?.focus();
}
