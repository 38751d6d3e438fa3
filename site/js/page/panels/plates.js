// The panel of the plates: a well for each, with what was said about it.
import { dropped, el, files, fill, press } from "../../dom.js";
import { wells } from "../sort.js";

/** @typedef {import("../state.js").Entry} Entry */
/** @typedef {import("../drops.js").Drops} Drops */

/**
 * @param {Drops} drops
 * @param {() => void} openDemo
 * @param {import("../sessions.js").Sessions} sessions
 * @returns {import("../panels.js").Panel}
 */
export const platesPanel = (drops, openDemo, sessions) => ({
  id: "plates",
  title: "Plates",
  reads: ["wells", "errors", "ready", "demo", "engines", "kept", "keptWord", "lacks"],
  draw: (into, { wells: placed, errors, ready, frames, demo, engines, kept, keptWord, lacks }) => fill(into,
    el("p", {}, "Drop everything at once anywhere on this page: frames, folders, clips, a ZIP. Or fill the places one by one. Only the first two are needed."),
    el("div", { className: "row" }, files("Choose files", false, (list) => drops.all(list)), files("Choose a folder", true, (list) => drops.all(list)), demo ? null : press("Open the demo take", openDemo)),
    lacks.map((text) => el("p", { className: "note warning" }, text)),
    errors.general ? el("p", { className: "wrong", role: "alert" }, errors.general) : null,
    el("div", { className: "wells" }, wells.map((w) => well(w, placed[w.id] ?? [], errors[w.id], drops))),
    ready ? [
      ...ready.warnings.map((text) => el("p", { className: "note warning" }, text)),
      ...[factOf(ready, frames.length), `${engines === 1 ? "One engine works" : `${engines} engines work`} on it, as many as this machine's cores and memory allow.`, ...ready.notes].map((text) => el("p", { className: "note" }, text)),
    ] : [],
    keptWord ? el("p", { className: "note" }, keptWord) : null,
    kept.length ? earlier(kept, sessions) : null),
});

/**
 * @param {import("../operations.js").Prepared} ready
 * @param {number} pairs
 */
const factOf = ({ w, h, model, mirror, residual_px, draft }, pairs) => `${draft ? "A draft: " : ""}${pairs} ${pairs === 1 ? "pair" : "pairs"} of ${w}×${h} pixels. Geometry: ${model}${mirror ? ", mirrored" : ""}${residual_px ? `, edges within ${residual_px.toFixed(2)} px` : ""}.`;

/**
 * earlier lists the takes that are kept.
 * @param {import("../kept.js").Kept[]} kept
 * @param {import("../sessions.js").Sessions} sessions
 */
const earlier = (kept, sessions) => el("fieldset", { id: "kept" }, el("legend", {}, "Takes on this machine"),
  el("p", { className: "quiet" }, `They take ${(kept.reduce((n, { held, bytes }) => n + (held ? bytes : 0), 0) / 1e6).toFixed(1)} MB of this browser's storage, and nothing of them leaves it.`),
  kept.map((take) => el("div", { className: "row" },
    el("span", { className: "kept-name" }, `${take.name}, ${new Date(take.time).toLocaleString()}${take.held ? `, ${(take.bytes / 1e6).toFixed(1)} MB` : ", names alone"}`),
    press("Open", () => sessions.open(take), { "aria-label": `Open ${take.name}` }), press("Forget", () => sessions.forget(take.id), { "aria-label": `Forget ${take.name}` }))),
  el("div", { className: "row" }, press("Forget all", () => sessions.forget())));

/** @param {Entry[]} entries */
function contents(entries) {
  const [first, last] = [entries[0], entries[entries.length - 1]].map((e) => e.from ?? e.name);
  return first === last ? first : `${first} … ${last}`;
}

/**
 * @param {(typeof wells)[number]} w
 * @param {Entry[]} entries
 * @param {string | undefined} wrong
 * @param {Drops} drops
 */
function well(w, entries, wrong, drops) {
  const n = entries.length;
  const put = (/** @type {import("../sort.js").Dropped[]} */ list) => drops.well(w.id, list);
  const over = (/** @type {Event} */ event) => {
    event.preventDefault();
    event.stopPropagation();
  };
  const node = el("div", { className: n ? "well filled" : "well", id: `well-${w.id}` },
    el("div", { className: "well-head" }, el("strong", {}, w.title + (w.needed ? " (needed)" : "")), el("span", { className: "quiet" }, n ? `${n} ${n === 1 ? "file" : "frames"}` : "empty")),
    el("p", { className: "quiet" }, n ? contents(entries) : w.text),
    (entries[0]?.clip?.notes ?? []).map((text) => el("p", { className: "note" }, text)),
    wrong ? el("p", { className: "wrong", role: "alert" }, wrong) : null,
    el("div", { className: "row" }, files(n ? "Change" : "Files", false, put), files("Folder", true, put),
      n ? press("Clear", () => put([]), { "aria-label": `Clear ${w.title}` }) : null));
  node.addEventListener("dragover", (event) => {
    over(event);
    node.classList.add("over");
  });
  node.addEventListener("dragleave", () => node.classList.remove("over"));
  node.addEventListener("drop", async (event) => {
    over(event);
    node.classList.remove("over");
    put(await dropped(event.dataTransfer));
  });
  return node;
}
