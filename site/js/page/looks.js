// What is looked at, and how: the strip of stations, the one beside it, and the ways of looking.
import { $, button, dialog, el, files, input, onInput, onTick, paint, select } from "../dom.js";
import { chosen, groundOf, hasSum } from "./state.js";
import { besides, stations, titleOf } from "./stations.js";

/** @typedef {import("./state.js").PageStore} PageStore */

/** @param {PageStore} store */
export function drawStrip(store) {
  const strip = stations.map(({ id, title, op }, i) => {
    const canvas = el("canvas", { width: 192, height: 108, "aria-hidden": "true" });
    const node = el("button", { type: "button", id: `station-${id}`, title: `${title} (${i + 1})`, onclick: () => store.choose({ a: id }, "station") },
      canvas, el("span", {}, title, op ? el("span", { className: "op" }, op) : null));
    return { id, canvas, node };
  });
  $("strip").append(...strip.map(({ node }) => node));
  store.show(["a"], ({ a }) => {
    for (const { id, node } of strip) {
      node.setAttribute("aria-pressed", String(id === a));
      if (id === a && $("strip").scrollWidth > $("strip").clientWidth) node.scrollIntoView({ block: "nearest", inline: "center" });
    }
  });
  store.show(["wells"], ({ wells }) => {
    for (const { id, node } of strip) node.classList.toggle("lacks", !!wells.color?.length && !hasSum({ wells }) && (id === "sum" || id === "held"));
  });
  store.subscribe(["thumbs"], ({ thumbs }) => {
    for (const { id, canvas } of strip) {
      const t = thumbs.find(({ station }) => station === id);
      if (t?.rgba) paint(canvas, t.rgba, t.w, t.h);
      else canvas.getContext("2d")?.clearRect(0, 0, canvas.width, canvas.height);
    }
  });
}

/**
 * @param {PageStore} store
 * @param {import("./viewer.js").Viewer} viewer
 */
export function drawLooks(store, viewer) {
  const beside = select("beside");
  beside.append(el("option", { value: "" }, "nothing"), ...besides.map((id) => el("option", { value: id }, titleOf(id))));
  beside.onchange = onInput((id) => store.choose({ b: id || null }, "beside"));
  store.show(["b", "wells"], ({ b, wells }) => {
    const green = [...beside.options].find((option) => option.value === "green");
    if (green) green.hidden = green.disabled = !wells.green;
    beside.value = b ?? "";
    viewer.divide(b !== null);
  });

  const change = (/** @type {Partial<import("./state.js").Looks>} */ some, kind = "") => store.choose({ look: { ...store.value.look, ...some } }, kind);
  input("exposure").oninput = onInput((value) => change({ exposure: Number(value) }, "exposure"));
  select("channel").onchange = onInput((channel) => change({ channel }));
  select("under").onchange = onInput((under) => change({ under }));
  input("under-color").oninput = onInput((color) => change({ color, under: "color" }, "color"));
  input("clip").onchange = onTick((clip) => change({ clip }));
  button("fit").onclick = () => viewer.api?.fit();
  button("actual").onclick = () => viewer.api?.actual();
  store.show(["look", "wells"], ({ look, wells }) => {
    const { exposure, channel, under, color, clip } = look;
    input("exposure").value = String(exposure);
    $("exposure-out").textContent = `${exposure > 0 ? "+" : ""}${exposure} stops`.replace("-", "−");
    select("channel").value = channel;
    select("under").value = under;
    input("under-color").value = color;
    input("clip").checked = clip;
    viewer.set({ exposure, channel, under: groundOf({ look, wells }), underColor: [1, 3, 5].map((i) => parseInt(color.slice(i, i + 2), 16) / 255), clip });
  });
}

/**
 * drawTop joins the buttons at the top of the page.
 * @param {PageStore} store
 * @param {import("./drops.js").Drops} drops
 */
export function drawTop(store, drops) {
  const open = files("Open", false, (list) => drops.all(list));
  open.classList.add("main");
  open.append(el("span", { className: "word" }, "\u00a0plates"));
  $("open-plates").replaceWith(open);
  button("undo").onclick = () => store.undo();
  button("redo").onclick = () => store.redo();
  button("keys").onclick = () => dialog("keys-dialog").showModal();
  store.show(chosen, () => {
    button("undo").disabled = !store.canUndo;
    button("redo").disabled = !store.canRedo;
  });
}
