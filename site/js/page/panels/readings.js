// The panel of the readings: what the plates are like, and the lamps over the take.
import { el, fill, press } from "../../dom.js";
import { isAbort, messageOf, stopped } from "../../errors.js";
import { fpsOf } from "../state.js";

/** @typedef {import("../state.js").PageStore} PageStore */
/** @typedef {import("../engines.js").Engines} Engines */

export const signs = { good: "✓ good", watch: "△ watch", bad: "✕ bad", unknown: "? not known" };

/**
 * @param {PageStore} store
 * @param {Engines} engines
 * @returns {import("../panels.js").Panel}
 */
export const readingsPanel = (store, engines) => ({
  id: "readings",
  title: "Readings",
  reads: ["readings", "reading", "readError"],
  draw: (into, { readings, reading, readError }) => fill(into,
    el("p", {}, "What the plates are like, in plain words, and what to do about it while the set still stands."),
    reading
      ? [el("p", {}, `Reading the plates … ${reading.seconds} s`), el("progress", { "aria-label": "Reading the plates" }), el("div", { className: "row" }, press("Stop", reading.stop))]
      : el("div", { className: "row" }, press(readings ? "Read again" : "Read the plates", () => read(store, engines), { className: "main" })),
    readError ? el("p", { className: "wrong", role: "alert" }, readError) : null,
    readings && !reading ? readings.readings.map(article) : null,
    readings?.gains && readings.gains.length > 1 && !reading ? [el("h3", {}, "The lamps over the take"), plot(readings.gains)] : null),
});

/**
 * read has an engine read the plates.
 * @param {PageStore} store
 * @param {Engines} engines
 */
async function read(store, engines) {
  const began = performance.now();
  const abort = new AbortController();
  const stop = () => abort.abort(stopped());
  const say = () => store.update({ reading: { seconds: Math.round((performance.now() - began) / 1000), stop } });
  store.update({ readError: "" });
  say();
  const clock = setInterval(say, 1000);
  try {
    const worker = engines.workers.findLast((worker) => !worker.held); // the last that has the take
    const { result } = await engines.call("check", { fps: fpsOf(store.value) }, { worker, signal: abort.signal });
    store.update({ readings: result, status: `The plates are read: ${result.worst}` });
  } catch (error) {
    if (!isAbort(error)) store.update({ readError: messageOf(error) });
  } finally {
    clearInterval(clock);
    store.update({ reading: null });
  }
}

/** @param {import("../operations.js").Reading} r */
const article = (r) => el("article", { className: `reading ${r.verdict}` },
  el("div", { className: "head" }, el("h3", {}, r.title), el("span", { className: "verdict" }, signs[r.verdict] ?? r.verdict)),
  el("p", { className: "value" }, r.value === null ? "not known" : `${Number(r.value.toPrecision(3))} ${r.unit}`),
  el("p", {}, r.meaning),
  r.advice ? el("p", { className: "try" }, `On the set: ${r.advice}`) : null);

/**
 * plot draws the gain over the frames.
 * @param {import("../operations.js").Gain[]} gains
 */
function plot(gains) {
  const w = 420, h = 150;
  const values = gains.map((g) => g.gain);
  const [first, last] = [gains[0].frame, gains[gains.length - 1].frame];
  const low = Math.min(...values, 0.97), high = Math.max(...values, 1.03); // steady lamps make a flat line
  const at = (/** @type {number} */ i) => `${(40 + (i / (gains.length - 1)) * (w - 50)).toFixed(1)},${(h - 22 - ((values[i] - low) / (high - low)) * (h - 34)).toFixed(1)}`;
  const svg = (/** @type {string} */ name, /** @type {Record<string, string | number>} */ attributes, text = "") => {
    const node = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, String(value));
    node.textContent = text;
    return node;
  };
  const node = svg("svg", { viewBox: `0 0 ${w} ${h}`, class: "plot", role: "img", "aria-label": `Gain of the lamps from frame ${first} to ${last}: ${low.toFixed(3)} to ${high.toFixed(3)}` });
  node.append(
    svg("path", { class: "axis", d: `M40 10V${h - 22}H${w - 10}`, fill: "none" }),
    svg("polyline", { points: gains.map((_, i) => at(i)).join(" ") }),
    svg("text", { x: 4, y: 18 }, high.toFixed(2)), svg("text", { x: 4, y: h - 24 }, low.toFixed(2)),
    svg("text", { x: 40, y: h - 5 }, String(first)), svg("text", { x: w - 10, y: h - 5, "text-anchor": "end" }, String(last)));
  return node;
}
