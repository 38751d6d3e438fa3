// The planning page: a rig as a form and as text, and its plan, worked out by package rig.
import { $, el, files, fill } from "./dom.js";

let rig; // the rig as an object
let text; // and as the file has it
const past = [];

async function start() {
  await import(/* @vite-ignore */ new URL("./wasm_exec.js", import.meta.url).href);
  const go = new globalThis.Go();
  const ready = new Promise((resolve) => (globalThis.plannerReady = resolve));
  const { instance } = await WebAssembly.instantiateStreaming(fetch("planner.wasm"), go.importObject);
  go.run(instance);
  await ready;
  fill($("plan-files"), files("Open a rig", false, ([first]) => first.file.text().then((t) => take(t, first.path))),
    el("button", { type: "button", onclick: save }, "Save the rig"),
    el("button", { type: "button", onclick: () => take(globalThis.example()) }, "The example"));
  $("plan-undo").onclick = () => past.length && (show(past.pop()), ($("plan-undo").disabled = !past.length));
  $("plan-print").onclick = () => print();
  $("plan-text").onchange = (event) => take(event.target.value);
  show(globalThis.example());
}

// take makes a text the rig, with a way back.
function take(next, name = "") {
  if (text !== undefined) past.push(text);
  $("plan-undo").disabled = !past.length;
  show(next, name);
}

function show(next, name = "") {
  text = next;
  $("plan-text").value = text;
  let wrong;
  try {
    rig = JSON.parse(text);
    fill($("plan-form"), fields(rig, (changed) => take(JSON.stringify(changed, null, 2) + "\n")));
    const { page, error } = globalThis.plan(text);
    if (error) wrong = error;
    else put(page);
  } catch (error) {
    wrong = error.message;
  }
  $("plan-wrong").hidden = !wrong;
  $("plan-wrong").textContent = wrong ? `${name ? name + ": " : ""}${wrong}` : "";
  document.body.classList.toggle("stale", !!wrong);
}

// put shows the plan's page. Its style goes in as a sheet of its own, and in a shadow: the policy forbids style in
// the text, and the page's rules must not reach ours.
function put(html) {
  const styles = [];
  const page = new DOMParser().parseFromString(html.replaceAll(/<style>([^]*?)<\/style>/g, (_, text) => (styles.push(text), "")), "text/html");
  const host = $("plan-page");
  const shadow = host.shadowRoot ?? host.attachShadow({ mode: "open" });
  shadow.adoptedStyleSheets = styles.map((style) => {
    const sheet = new CSSStyleSheet();
    sheet.replaceSync(style.replaceAll(":root", ":host").replaceAll(/(^|[\s,}])body(?=[\s,.{])/g, "$1.sheet"));
    return sheet;
  });
  shadow.replaceChildren(el("div", { className: `sheet ${page.body.className}` }, ...[...page.body.childNodes].map((node) => document.importNode(node, true))));
}

const names = { fps: "Frames a second", lux: "Light (lux)", lumens: "Light (lm)", stop: "Stop (T)", bits: "Bits" };
const units = { m: "m", mm: "mm", um: "µm", nm: "nm", hz: "Hz", px: "px", degrees: "°" };

function label(key) {
  if (names[key]) return names[key];
  const parts = key.split("_");
  const unit = parts.length > 1 && units[parts.at(-1)];
  if (unit) parts.pop();
  const words = parts.join(" ");
  return words[0].toUpperCase() + words.slice(1) + (unit ? ` (${unit})` : "");
}

// fields makes a form of a value: a fieldset for each object, an input for each number and text. Change is called with
// the whole as it is after a change. Curves, which are lists of lists, are left to the text.
function fields(value, change) {
  return Object.entries(value).map(([key, v]) => {
    const set = (w) => change({ ...value, [key]: w });
    if (Array.isArray(v)) {
      if (!v.every((item) => item && typeof item === "object" && !Array.isArray(item))) return null;
      return v.map((item, i) => el("fieldset", {}, el("legend", {}, `${label(key)} ${item.name ?? i + 1}`), el("div", { className: "inputs" }, fields(item, (w) => set(v.with(i, w)))),
        el("div", { className: "row" }, el("button", { type: "button", onclick: () => set(v.toSpliced(i + 1, 0, structuredClone(item))) }, "One more like it"), el("button", { type: "button", onclick: () => set(v.toSpliced(i, 1)) }, "Take it out"))));
    }
    if (v && typeof v === "object") return el("fieldset", {}, el("legend", {}, label(key)), el("div", { className: "inputs" }, fields(v, set)));
    if (typeof v === "boolean") return el("label", { className: "check" }, el("input", { type: "checkbox", checked: v, onchange: (event) => set(event.target.checked) }), label(key));
    const number = typeof v === "number";
    return el("label", {}, label(key), el("input", { type: number ? "number" : "text", step: "any", value: v, onchange: (event) => set(number ? Number(event.target.value) : event.target.value) }));
  });
}

function save() {
  const link = el("a", { href: URL.createObjectURL(new Blob([text], { type: "application/json" })), download: "rig.json" });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
}

start().catch((error) => fill($("plan-page"), el("p", { className: "wrong" }, `the planner cannot start: ${error.message}`)));
