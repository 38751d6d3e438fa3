// "At this pixel": the arithmetic of one pixel, with every number on the way.
import { $, el, fill } from "../../dom.js";

/** @typedef {import("../operations.js").Triple} Triple */

const figure = (/** @type {number} */ v) => (Math.abs(v) < 0.00005 ? "0.0000" : v.toFixed(4)).replace("-", "−");

/**
 * swatch shows a linear color as the screen does. It is drawn, since a style would need the
 * policy's leave.
 * @param {Triple} linear
 */
function swatch(linear) {
  const canvas = el("canvas", { width: 1, height: 1 });
  canvas.setAttribute("aria-hidden", "true");
  const code = (/** @type {number} */ v) => {
    const x = Math.min(Math.max(v, 0), 1);
    return Math.round(255 * (x <= 0.0031308 ? 12.92 * x : 1.055 * x ** (1 / 2.4) - 0.055)); // IEC 61966-2-1
  };
  const context = canvas.getContext("2d");
  if (!context) return null;
  context.fillStyle = `rgb(${linear.map(code).join(" ")})`;
  context.fillRect(0, 0, 1, 1);
  return canvas;
}

/**
 * @param {string} sign
 * @param {string} name
 * @param {(number | string)[]} values
 * @param {Triple} color
 * @param {boolean} [result]
 */
function row(sign, name, values, color, result = false) {
  return el("tr", { className: result ? "result" : "" },
    el("td", { className: "sign" }, sign), el("th", { scope: "row" }, name),
    values.map((v) => el("td", { colSpan: values.length === 1 ? 3 : 1 }, typeof v === "string" ? v : figure(v))),
    el("td", {}, swatch(color)));
}

/** @type {(v: number) => Triple} */
const gray = (v) => [v, v, v];

/** @param {import("../state.js").PageStore} store */
export const drawPixel = (store) => store.show(["pixel"], ({ pixel }) => show($("pixel"), pixel));

/**
 * @param {Element} into
 * @param {import("../operations.js").Arithmetic | null} a
 */
function show(into, a) {
  if (!a) {
    fill(into, el("p", {}, "Point at the picture, or tap it: here is the arithmetic of that very pixel, as soon as there is a take."));
    return;
  }
  const net = a.band - a.leak;
  const rows = [
    row("", "band plate", [net], gray(net)),
    row("÷", "clean plate", [a.screen], gray(a.screen)),
    row("=", "transmission", [`${figure(a.transmission)} ± ${figure(a.sigma)}`], gray(a.transmission), true),
  ];
  if (a.background && a.held && a.sum) {
    rows.push(
      row("", "background", a.background, a.background),
      row("×", "transmission", [a.transmission], gray(a.transmission)),
      row("=", "held out", a.held, a.held, true),
      row("+", "foreground", a.foreground, a.foreground),
      row("=", "composite", a.sum, a.sum, true));
  } else {
    rows.push(
      row("", "color plate", a.color, a.color),
      row("−", "glow of the screen", a.glow, a.glow),
      row("=", "foreground", a.foreground, a.foreground, true));
  }
  const words = a.screen === 0
    ? "The clean plate shows no screen here: nothing is measured."
    : `Pixel ${a.x}, ${a.y}: point at another, or tap it. Alpha is ${figure(1 - a.transmission)} ± ${figure(a.sigma)}; the lamps stand at ${a.gain.toFixed(3)} of the clean plate; set light in the band, ${figure(a.leak)}, is taken off. Linear light, full scale 1.${a.broken ? " A switch of the lesson is on: the numbers show it." : ""}`;
  fill(into, el("table", {}, el("tbody", {}, rows)), el("p", {}, words));
}
