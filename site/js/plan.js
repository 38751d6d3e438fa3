// The planning page: a rig as a form and as text, and its plan, worked out by package rig.
import { $, button, download, el, files, fill, onInput, press } from "./dom.js";
import { messageOf } from "./errors.js";
import { program } from "./go.js";
import { draw } from "./plan-form.js";
import { Store } from "./store.js";

/**
 * What wasm/planner gives the page.
 * @typedef {{plan: (rig: string) => {page?: string, error?: string}, example: () => string, names: () => string}} Planner
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
  const names = JSON.parse(planner.names());
  store.show(["text"], ({ text, name }) => show(text, name, planner, names));
}

let typed = ""; // the text that the form itself made: it shows that already

// take makes a text the rig, with a way back.
function take(/** @type {string} */ text, name = "") {
  store.choose({ text, name });
}

/**
 * @param {string} text
 * @param {string} name
 * @param {Planner} planner
 * @param {import("./plan-form.js").Names} names
 */
function show(text, name, planner, names) {
  /** @type {HTMLTextAreaElement} */ ($("plan-text")).value = text;
  let wrong = "";
  try {
    if (text !== typed) {
      const rig = JSON.parse(text);
      draw($("plan-form"), rig, names, (other) => {
        const now = JSON.stringify(rig, null, 2) + "\n";
        typed = other ? "" : now;
        take(now, name);
      });
    }
    typed = "";
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

start().catch((error) => fill($("plan-page"), el("p", { className: "wrong" }, `the planner cannot start: ${messageOf(error)}`)));
