// The pictures: the large one and the one beside it, which the worker draws, the marks of what is
// wrong over the first, and the rate.
import { $, choice, el, fill, press, tick } from "../dom.js";
import { views } from "./state.js";

/** @typedef {CanvasRenderingContext2D} Context */

/**
 * The marks, by the numbers of take.Trouble. Each has a pattern of its own, white on black lines, so that
 * it is seen on any picture and without colors. u is the side of a square.
 * @type {{name: string, draw: (c: Context, x: number, y: number, u: number) => void}[]}
 */
const troubles = [
  { name: "", draw: () => {} },
  { name: "the band clips", draw: (c, x, y, u) => c.rect(x + u / 4, y + u / 4, u / 2, u / 2) },
  { name: "spill: the performer lets light through", draw: (c, x, y, u) => line(c, x, y + u, x + u, y) },
  { name: "set light in the band", draw: (c, x, y, u) => line(c, x, y + u / 2, x + u, y + u / 2) },
  { name: "the screen is too dark", draw: (c, x, y, u) => c.arc(x + u / 2, y + u / 2, u / 6, 0, 7) },
];

/** @type {(c: Context, x0: number, y0: number, x1: number, y1: number) => void} */
const line = (c, x0, y0, x1, y1) => {
  c.moveTo(x0, y0);
  c.lineTo(x1, y1);
};

/**
 * @param {Context} context
 * @param {number} trouble
 * @param {[number, number][]} places of squares
 * @param {number} side of them
 */
function mark(context, trouble, places, side) {
  context.beginPath();
  for (const [x, y] of places) {
    if (trouble === 4) context.moveTo(x + (2 / 3) * side, y + side / 2);
    troubles[trouble].draw(context, x, y, side);
  }
  for (const [color, width] of /** @type {const} */ ([["#000", 0.3], ["#fff", 0.14]])) {
    context.strokeStyle = color;
    context.lineWidth = width * side;
    context.stroke();
  }
}

/**
 * @param {import("./state.js").LiveStore} store
 * @param {import("./session.js").Session} session
 * @param {import("./inputs.js").Source} source
 */
export function drawPictures(store, session, source) {
  const canvas = (/** @type {string} */ id) => /** @type {HTMLCanvasElement} */ ($(id));
  const [main, beside] = [canvas("main").transferControlToOffscreen(), canvas("beside").transferControlToOffscreen()];
  session.tell({ canvases: { main, beside } }, [main, beside]);

  store.show(["view"], ({ view }) => fill($("views"), views.map(({ id, title }) => press(title, () => store.update({ view: id }), { "aria-pressed": String(id === view) }))));
  store.show(["beside"], ({ beside }) => fill($("beside-choice"), choice("The small picture", [["", "none"], ...views.filter(({ id }) => id !== "trouble").map(({ id, title }) => [id, title])], beside, (value) => store.update({ beside: value }))));
  store.show(["running", "ready", "working"], ({ running, ready, working }) => {
    fill($("empty"), running || working ? [] : [
      "Choose the cameras, or rehearse with the demo's.",
      el("span", { className: "row" }, press("Rehearse", () => source.rehearse(), { className: "main" }), el("a", { className: "file-button", href: "#inputs" }, "To the inputs")),
    ]);
    $("views").title = ready ? "" : "Until the geometry is found the plates are shown as they come";
  });
  store.show(["rate", "running"], ({ rate, running }) => {
    $("rate").textContent = !rate || !running ? "" : [
      `${rate.fps.toFixed(0)} frames/s`, `${rate.latency.toFixed(0)} ms behind`, `${rate.cost.toFixed(0)} ms a frame`, `${rate.lost} of ${rate.made + rate.lost} dropped`,
      rate.apart > 0 ? `${rate.apart.toFixed(0)} ms out of step` : "", rate.size.split(", ").filter((v, i, all) => all.indexOf(v) === i).join(" and "),
    ].filter(Boolean).join(" · ");
  });

  store.show(["choice", "drawn"], ({ choice: { graphics }, drawn }) => {
    const on = graphics === "on" || (graphics === "auto" && drawn);
    fill($("by"), tick("made by the graphics processor", on, (on) => store.update({ choice: { ...store.value.choice, graphics: on ? "on" : "off" } })));
  });

  const marks = canvas("marks");
  store.show(["view", "readings", "ready"], ({ view, ready }) => {
    const on = view === "trouble" && !!ready;
    marks.hidden = $("key").hidden = !on;
    const context = marks.getContext("2d");
    if (!on || !ready || !context) return;
    [marks.width, marks.height] = [ready.w, ready.h];
    const { side, w } = session.squares;
    for (let k = 1; k < troubles.length; k++) {
      /** @type {[number, number][]} */
      const places = [];
      session.troubles?.forEach((v, i) => v === k && places.push([(i % w) * side, Math.floor(i / w) * side]));
      mark(context, k, places, side);
    }
  });
  fill($("key"), troubles.map(({ name }, k) => {
    if (!name) return null;
    const sample = el("canvas", { width: 44, height: 30 });
    const context = sample.getContext("2d");
    if (context) {
      context.fillStyle = "#777";
      context.fillRect(0, 0, 44, 30);
      mark(context, k, [[0, 0], [15, 0], [30, 0], [0, 15], [15, 15], [30, 15]], 15);
    }
    return el("li", {}, sample, name);
  }));
}
