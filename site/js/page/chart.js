// A chart through the filter and without, in two pictures: what gives back the color that the filter takes.
import { choice, el, fileOf, fill, onInput, paint, press } from "../dom.js";
import { messageOf } from "../errors.js";

/** @typedef {import("./operations.js").Match} Match */
/** @typedef {{title: string, path: string, name: string, corners: number[][] | null, canvas: HTMLCanvasElement}} View a picture of the chart; corners are its own, in parts of it, or null for the other's */

const space = "http://www.w3.org/2000/svg";
const names = ["top left", "top right", "bottom right", "bottom left"];
const wide = 420; // CSS pixels of a picture
const step = 0.005; // of a picture, that an arrow key moves a corner by
const fine = 0.001; // the same with shift
const usual = [[0.2, 0.2], [0.8, 0.2], [0.8, 0.8], [0.2, 0.8]]; // corners before they are placed

/**
 * matchChart has the user give the pictures and the chart's corners in them, and returns the matrix, or null
 * where none is wanted.
 * @param {import("./engines.js").Engines} engines
 * @param {string[]} curves that the pictures may have
 * @param {string} curve the take's
 * @returns {Promise<number[] | null>}
 */
export async function matchChart(engines, curves, curve) {
  const [worker] = engines.workers;
  const canvas = () => el("canvas", { width: wide, height: Math.round((wide * 9) / 16) });
  /** @type {View[]} */
  const views = [{ title: "Through filter and splitter", path: "", name: "", corners: usual, canvas: canvas() }, { title: "Without them", path: "", name: "", corners: null, canvas: canvas() }];
  const chart = { columns: 6, rows: 4, curve: curves.includes(curve) ? curve : "" };
  let found = /** @type {Match | null} */ (null);
  let wrong = "";
  let busy = false;
  const sheet = el("dialog", { className: "sheet", "aria-labelledby": "chart-title" });

  const cornersOf = (/** @type {View} */ view) => view.corners ?? /** @type {number[][]} */ (views[0].corners);
  const set = (/** @type {Partial<typeof chart>} */ some) => {
    Object.assign(chart, some);
    found = null;
    draw();
  };

  /**
   * open shows a picture.
   * @param {View} view
   * @param {File} file
   */
  const open = async (view, file) => {
    [wrong, found] = ["", null];
    const path = `/look/${views.indexOf(view)}/${file.name}`;
    worker.port.postMessage({ files: { put: [[path, file]] } });
    try {
      const { result, buffers } = await engines.call("look", { path, width: wide }, { worker, urgent: true });
      paint(view.canvas, buffers[0], result.w, result.h);
      [view.path, view.name] = [path, file.name];
    } catch (error) {
      wrong = messageOf(error).replace(/^\/look\/\d\//, "");
    }
    draw();
  };

  /**
   * place moves a corner.
   * @param {View} view
   * @param {number} k
   * @param {number} x
   * @param {number} y
   */
  const place = (view, k, x, y) => {
    const unit = (/** @type {number} */ v) => Math.min(Math.max(v, 0), 1);
    view.corners = cornersOf(view).map((corner, i) => (i === k ? [unit(x), unit(y)] : corner));
    found = null;
    draw(`${views.indexOf(view)} ${k}`);
  };

  /** @param {View} view */
  const overlay = (view) => {
    const { width: w, height: h } = view.canvas;
    const over = document.createElementNS(space, "svg");
    over.setAttribute("viewBox", `0 0 ${w} ${h}`);
    over.setAttribute("class", "outlines");
    const corners = cornersOf(view);
    const outline = document.createElementNS(space, "polygon");
    outline.setAttribute("class", "card");
    outline.setAttribute("points", corners.map(([x, y]) => `${x * w},${y * h}`).join(" "));
    over.append(outline, ...corners.map(([x, y], k) => {
      const handle = document.createElementNS(space, "g");
      for (const [name, r] of /** @type {const} */ ([["finger", 22], ["dot", 8]])) {
        const dot = document.createElementNS(space, "circle");
        for (const [key, value] of Object.entries({ class: name, cx: x * w, cy: y * h, r })) dot.setAttribute(key, String(value));
        handle.append(dot);
      }
      for (const [key, value] of Object.entries({ class: k ? "handle" : "handle first", tabindex: "0", role: "button", "data-corner": `${views.indexOf(view)} ${k}`, "aria-label": `${view.title}: the ${names[k]} corner of the patches at ${(100 * x).toFixed(1)} %, ${(100 * y).toFixed(1)} %; arrows move it` })) handle.setAttribute(key, value);
      handle.addEventListener("keydown", (event) => {
        const by = event.shiftKey ? fine : step;
        const to = { ArrowLeft: [-by, 0], ArrowRight: [by, 0], ArrowUp: [0, -by], ArrowDown: [0, by] }[event.key];
        if (!to) return;
        event.preventDefault();
        place(view, k, x + to[0], y + to[1]);
      });
      handle.addEventListener("pointerdown", (event) => {
        event.preventDefault();
        const { left, top, width, height } = view.canvas.getBoundingClientRect();
        const move = (/** @type {PointerEvent} */ e) => place(view, k, (e.clientX - left) / width, (e.clientY - top) / height);
        const end = () => {
          for (const type of ["pointerup", "pointercancel"]) removeEventListener(type, end);
          removeEventListener("pointermove", move);
        };
        for (const type of ["pointerup", "pointercancel"]) addEventListener(type, end);
        addEventListener("pointermove", move); // the handle is drawn anew meanwhile
      });
      return handle;
    }));
    return over;
  };

  const match = async () => {
    [busy, wrong] = [true, ""];
    draw();
    try {
      found = (await engines.call("match", { chart: { ...chart, paths: views.map((view) => view.path), corners: views.map(cornersOf) } }, { worker, urgent: true })).result;
    } catch (error) {
      wrong = messageOf(error).replace(/\/look\/\d\//, "");
    }
    busy = false;
    draw();
  };

  const words = (/** @type {import("./operations.js").Difference} */ { mean, most }) => `${mean.toFixed(2)} in the mean, ${most.toFixed(2)} at most`;
  const number = (/** @type {string} */ text, /** @type {"columns" | "rows"} */ field) => el("label", {}, text, el("input", { type: "number", min: 1, max: 100, step: 1, value: chart[field], onchange: onInput((v) => set({ [field]: Math.round(Number(v)) })) }));

  // draw draws the sheet anew; the corner of that name keeps the keyboard.
  const draw = (focus = "") => {
    fill(sheet,
      el("h2", { id: "chart-title" }, "A chart through the filter, and without"),
      el("p", {}, "Two pictures of one chart of colored patches, in the set's own light with the lamps off. Move the four corners to the outer corners of its patches."),
      el("div", { className: "charts" }, views.map((view) => el("div", {},
        el("p", {}, view.title), fileOf(view.name || "Choose the picture", "", (file) => open(view, file)),
        el("div", { className: "chart" }, view.canvas, view.path ? overlay(view) : null)))),
      el("div", { className: "row" }, number("Patches across", "columns"), number("and down", "rows"),
        choice("Their transfer curve", [["", "as their tags say"], ...curves.map((name) => [name, name === curve ? `${name}, as the take` : name])], chart.curve, (v) => set({ curve: v }))),
      wrong ? el("p", { className: "wrong", role: "alert" }, wrong) : null,
      found ? el("div", { className: "note", role: "status" },
        el("p", {}, `Differences of ${found.samples} colors, in CIEDE2000. Exposure matched alone: ${words(found.before)}. White matched too: ${words(found.balanced)}. With the matrix: ${words(found.after)}.`),
        found.doubt ? el("p", { className: "wrong" }, found.doubt) : null) : null,
      el("div", { className: "row" },
        press("Find the matrix", match, { disabled: busy || views.some((view) => !view.path) }),
        press("Use the matrix", () => sheet.close("use"), { disabled: !found }),
        press("Cancel", () => sheet.close())));
    if (focus) /** @type {SVGElement | null} */ (sheet.querySelector(`[data-corner="${focus}"]`))?.focus();
  };

  draw();
  document.body.append(sheet);
  sheet.showModal();
  await new Promise((resolve) => sheet.addEventListener("close", resolve, { once: true }));
  sheet.remove();
  worker.port.postMessage({ files: { clear: ["/look/0", "/look/1"] } });
  return sheet.returnValue === "use" && found ? found.matrix : null;
}
