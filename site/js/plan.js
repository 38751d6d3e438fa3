// The planning page: a rig as a form and as text, and its plan, worked out by package rig.
import { $, button, download, el, files, fill, onInput, onTick, press } from "./dom.js";
import { messageOf } from "./errors.js";
import { program } from "./go.js";
import { Store } from "./store.js";

/** @typedef {string | number | boolean | null} Plain */
/** @typedef {Plain | Value[] | {[name: string]: Value}} Value of a rig: what JSON has */

/**
 * What wasm/planner gives the page.
 * @typedef {{plan: (rig: string) => {page?: string, error?: string}, example: () => string}} Planner
 */

// name is of the file that the text is from; "" where it is from this page.
const store = new Store({ text: "", name: "" }, ["text", "name"]);

async function start() {
  const planner = /** @type {Planner & {plannerReady: (go: void) => void}} */ (/** @type {unknown} */ (globalThis));
  const go = await program();
  const ready = new Promise((resolve) => (planner.plannerReady = resolve));
  const { instance } = await WebAssembly.instantiateStreaming(fetch("planner.wasm"), go.importObject);
  go.run(instance);
  await ready;
  fill($("plan-files"), files("Open a rig", false, ([first]) => first.file.text().then((text) => take(text, first.path))),
    press("Save the rig", () => download(new Blob([store.value.text], { type: "application/json" }), "rig.json")),
    press("The example", () => take(planner.example())));
  button("plan-undo").onclick = () => store.undo();
  button("plan-print").onclick = () => print();
  $("plan-text").onchange = onInput((text) => take(text));
  store.update({ text: planner.example() });
  store.show(["text"], ({ text, name }) => show(text, name, planner));
}

// take makes a text the rig, with a way back.
function take(/** @type {string} */ text, name = "") {
  store.choose({ text, name });
}

/**
 * @param {string} text
 * @param {string} name
 * @param {Planner} planner
 */
function show(text, name, planner) {
  /** @type {HTMLTextAreaElement} */ ($("plan-text")).value = text;
  let wrong = "";
  try {
    fill($("plan-form"), fields(JSON.parse(text), (changed) => take(JSON.stringify(changed, null, 2) + "\n")));
    const { page, error } = planner.plan(text);
    wrong = error ?? "";
    if (page) put(page);
  } catch (error) {
    wrong = messageOf(error);
  }
  button("plan-undo").disabled = !store.canUndo;
  $("plan-wrong").hidden = !wrong;
  $("plan-wrong").textContent = wrong ? `${name ? name + ": " : ""}${wrong}` : "";
  document.body.classList.toggle("stale", !!wrong);
}

/**
 * put shows the plan's page. Its style goes in as a sheet of its own, and in a shadow: the policy
 * forbids style in the text, and the page's rules must not reach ours.
 * @param {string} html
 */
function put(html) {
  /** @type {string[]} */
  const styles = [];
  const page = new DOMParser().parseFromString(html.replaceAll(/<style>([^]*?)<\/style>/g, (_, text) => (styles.push(text), "")), "text/html");
  const host = $("plan-page");
  const shadow = host.shadowRoot ?? host.attachShadow({ mode: "open" });
  shadow.adoptedStyleSheets = styles.map((style) => {
    const sheet = new CSSStyleSheet();
    sheet.replaceSync(style.replaceAll(":root", ":host").replaceAll(/(^|[\s,}])body(?=[\s,.{])/g, "$1.sheet"));
    return sheet;
  });
  fill(shadow, el("div", { className: `sheet ${page.body.className}` }, [...page.body.childNodes].map((node) => document.importNode(node, true))));
}

/** @type {Record<string, string>} */
const names = { fps: "Frames a second", lux: "Light (lux)", lumens: "Light (lm)", stop: "Stop (T)", bits: "Bits" };
/** @type {Record<string, string>} */
const units = { m: "m", mm: "mm", um: "µm", nm: "nm", hz: "Hz", px: "px", degrees: "°" };

/** @param {string} key */
function label(key) {
  if (names[key]) return names[key];
  const parts = key.split("_");
  const unit = parts.length > 1 && units[parts[parts.length - 1]];
  if (unit) parts.pop();
  const words = parts.join(" ");
  return words[0].toUpperCase() + words.slice(1) + (unit ? ` (${unit})` : "");
}

/**
 * @param {Value} value
 * @returns {value is {[name: string]: Value}}
 */
const isObject = (value) => typeof value === "object" && value !== null && !Array.isArray(value);

/**
 * fields makes a form of a value: a fieldset for each object, an input for each number and text.
 * Curves, which are lists of lists, are left to the text.
 * @param {{[name: string]: Value}} value
 * @param {(changed: {[name: string]: Value}) => void} change is called with the whole as it is after a change
 * @returns {HTMLElement[]}
 */
function fields(value, change) {
  return Object.entries(value).flatMap(/** @returns {HTMLElement[]} */ ([key, v]) => {
    const set = (/** @type {Value} */ w) => change({ ...value, [key]: w });
    if (Array.isArray(v)) {
      if (!v.every(isObject)) return [];
      return v.map((item, i) => part(`${label(key)} ${item.name ?? i + 1}`, item, (w) => set(v.with(i, w)),
        el("div", { className: "row" }, press("One more like it", () => set(v.toSpliced(i + 1, 0, structuredClone(item)))), press("Take it out", () => set(v.toSpliced(i, 1))))));
    }
    if (isObject(v)) return [part(label(key), v, set)];
    if (typeof v === "boolean") return [el("label", { className: "check" }, el("input", { type: "checkbox", checked: v, onchange: onTick(set) }), label(key))];
    const number = typeof v === "number";
    return [el("label", {}, label(key), el("input", { type: number ? "number" : "text", step: "any", value: v, onchange: onInput((text) => set(number ? Number(text) : text)) }))];
  });
}

/**
 * part is a form within a form.
 * @param {string} name
 * @param {{[name: string]: Value}} value
 * @param {(changed: {[name: string]: Value}) => void} change
 * @param {Node} [more]
 */
const part = (name, value, change, more) => el("fieldset", {}, el("legend", {}, name), el("div", { className: "inputs" }, fields(value, change)), more);

start().catch((error) => fill($("plan-page"), el("p", { className: "wrong" }, `the planner cannot start: ${messageOf(error)}`)));
