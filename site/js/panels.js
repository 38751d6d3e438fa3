// The panels beside the picture: plates, readings, recipe, and what is taken away.
import { choice, dropped, el, files, fill, tick } from "./dom.js";
import { wells } from "./sort.js";

export function showPlates(into, { placed, errors, notes, facts, demo }, act) {
  fill(into, 
    el("p", {}, "Drop everything at once anywhere on this page: frames, folders, clips, a ZIP. Or fill the wells one by one. Only the first two are needed."),
    el("div", { className: "row" }, files("Choose files", false, act.drop), files("Choose a folder", true, act.drop), demo ? null : el("button", { type: "button", onclick: act.demo }, "Open the demo take")),
    errors.general ? el("p", { className: "wrong", role: "alert" }, errors.general) : null,
    el("div", { className: "wells" }, wells.map((w) => well(w, placed[w.id], errors[w.id], act))),
    ...facts.map((text) => el("p", { className: "note" }, text)),
    ...notes.map((text) => el("p", { className: "note" }, text)));
}

function well(w, entries, wrong, act) {
  const n = entries?.length ?? 0;
  const node = el("div", { className: n ? "well filled" : "well", id: `well-${w.id}` },
    el("div", { className: "well-head" }, el("strong", {}, w.title + (w.needed ? " (needed)" : "")), el("span", { className: "quiet" }, n ? `${n} ${n === 1 ? "file" : "frames"}` : "empty")),
    el("p", { className: "quiet" }, n ? (n === 1 ? entries[0].from ?? entries[0].name : `${entries[0].from ?? entries[0].name} … ${entries.at(-1).name}`) : w.text),
    wrong ? el("p", { className: "wrong", role: "alert" }, wrong) : null,
    el("div", { className: "row" }, files(n ? "Change" : "Files", false, (list) => act.fill(w.id, list)), files("Folder", true, (list) => act.fill(w.id, list)),
      n ? el("button", { type: "button", onclick: () => act.fill(w.id, []), "aria-label": `Empty ${w.title}` }, "Empty") : null));
  node.addEventListener("dragover", (event) => (event.preventDefault(), event.stopPropagation(), node.classList.add("over")));
  node.addEventListener("dragleave", () => node.classList.remove("over"));
  node.addEventListener("drop", async (event) => {
    event.preventDefault();
    event.stopPropagation();
    node.classList.remove("over");
    act.fill(w.id, await dropped(event.dataTransfer));
  });
  return node;
}

const signs = { good: "✓ good", watch: "△ watch", bad: "✕ bad", unknown: "? not known" };

export function showReadings(into, { readings, running, error, seconds }, act) {
  const children = [el("p", {}, "What the plates are like, in plain words, and what to do about it while the set still stands.")];
  if (running) children.push(el("p", {}, `Reading the plates … ${seconds} s`), el("progress", { "aria-label": "Reading the plates" }), el("div", { className: "row" }, el("button", { type: "button", onclick: act.stop }, "Stop")));
  else children.push(el("div", { className: "row" }, el("button", { type: "button", className: "main", onclick: act.read }, readings ? "Read again" : "Read the plates")));
  if (error) children.push(el("p", { className: "wrong", role: "alert" }, error));
  if (readings && !running) {
    children.push(...readings.readings.map((r) => el("article", { className: `reading ${r.verdict}` },
      el("div", { className: "head" }, el("h3", {}, r.title), el("span", { className: "verdict" }, signs[r.verdict] ?? r.verdict)),
      el("p", { className: "value" }, r.value === null ? "not known" : `${Number(r.value.toPrecision(3))} ${r.unit}`),
      el("p", {}, r.meaning),
      r.advice ? el("p", { className: "try" }, `On the set: ${r.advice}`) : null)));
    if (readings.gains?.length > 1) children.push(el("h3", {}, "The lamps over the take"), plot(readings.gains));
  }
  fill(into, ...children);
}

function plot(gains) {
  const w = 420, h = 150;
  const values = gains.map((g) => g.gain);
  const low = Math.min(...values, 0.97), high = Math.max(...values, 1.03);
  const at = (i) => `${(40 + (i / (gains.length - 1)) * (w - 50)).toFixed(1)},${(h - 22 - ((values[i] - low) / (high - low)) * (h - 34)).toFixed(1)}`;
  const svg = (name, attributes, text) => {
    const node = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
    if (text !== undefined) node.textContent = text;
    return node;
  };
  const node = svg("svg", { viewBox: `0 0 ${w} ${h}`, class: "plot", role: "img", "aria-label": `Gain of the lamps from frame ${gains[0].frame} to ${gains.at(-1).frame}: ${low.toFixed(3)} to ${high.toFixed(3)}` });
  node.append(
    svg("path", { class: "axis", d: `M40 10V${h - 22}H${w - 10}`, fill: "none" }),
    svg("polyline", { points: gains.map((_, i) => at(i)).join(" ") }),
    svg("text", { x: 4, y: 18 }, high.toFixed(2)), svg("text", { x: 4, y: h - 24 }, low.toFixed(2)),
    svg("text", { x: 40, y: h - 5 }, String(gains[0].frame)), svg("text", { x: w - 10, y: h - 5, "text-anchor": "end" }, String(gains.at(-1).frame)));
  return node;
}

export function showRecipe(into, { recipe, error }, act) {
  const mode = (v) => (v === undefined || v === "" ? "auto" : typeof v === "string" ? v : "given");
  const kept = (field, text) => (mode(recipe[field]) === "given" ? [["given", text]] : []);
  const change = (field) => (value) => value !== "given" && act.change({ [field]: value });
  const curves = [["srgb", "sRGB"], ["bt709", "BT.709"], ["bt1886", "BT.1886"], ["linear", "linear light"], ["hlg", "HLG"], ["pq", "PQ"], ["acescct", "ACEScct"]];
  const limits = recipe.limits ?? {};
  const limit = (name, text) => el("label", {}, text, el("input", { type: "number", min: 0, max: 1, step: 0.01, value: limits[name] ?? (name === "ceiling" ? 1 : 0), onchange: (event) => act.change({ limits: { ...limits, [name]: Number(event.target.value) } }) }));
  fill(into, 
    el("p", {}, "Every setting has a default that is right for most takes. The file is the one that twinplate comp --recipe reads."),
    el("div", { className: "row" }, el("button", { type: "button", onclick: act.save }, "Save the recipe"), files("Open a recipe", false, act.load), el("button", { type: "button", onclick: act.defaults }, "Defaults")),
    error ? el("p", { className: "wrong", role: "alert" }, error) : null,
    el("div", { className: "fields" },
      choice("Geometry between the cameras", [...kept("geometry", "as the recipe has it"), ["auto", "from the footage"], ["none", "none: the plates fit as they are"]], mode(recipe.geometry), change("geometry")),
      choice("Set light in the band plate", [...kept("crosstalk", "as the recipe has it"), ["auto", "measured and taken off"], ["none", "none"]], mode(recipe.crosstalk), change("crosstalk")),
      choice("Lamps", [...kept("gain", "as the recipe has it"), ["auto", "each frame measured"], ["none", "steady"]], mode(recipe.gain), change("gain")),
      choice("Curve of the color plate", curves, recipe.color_curve ?? "srgb", change("color_curve")),
      choice("Curve of the band plate", curves, recipe.band_curve ?? "srgb", change("band_curve")),
      choice("Curve of the background", curves, recipe.background_curve ?? "srgb", change("background_curve")),
      choice("Background in the frame", [["fill", "fills it"], ["inside", "lies inside it"], ["stretch", "is stretched"], ["none", "pixel for pixel"]], recipe.fit?.mode ?? "fill", (value) => act.change({ fit: { ...recipe.fit, mode: value } })),
      tick("take noise out of the open screen and the core", !!recipe.tidy, (on) => act.change({ tidy: on || undefined })),
      el("fieldset", {}, el("legend", {}, "Limits of the transmission (0 and 1: none)"), el("div", { className: "row" }, limit("floor", "Floor"), limit("ceiling", "Ceiling")))));
}

export function showAway(into, { range, products, clips, running, folder, hasSum }, act) {
  const children = [];
  if (running) {
    children.push(el("p", {}, running.text), el("progress", { max: running.total, value: running.done, "aria-label": running.text }), el("div", { className: "row" }, el("button", { type: "button", onclick: act.stop }, "Stop")));
    fill(into, ...children);
    return;
  }
  const number = (name, text) => el("label", {}, text, el("input", { type: "number", min: range.first, max: range.last, value: range[name], onchange: (event) => act.range({ [name]: Number(event.target.value) }) }));
  children.push(
    el("fieldset", {}, el("legend", {}, "This frame, as 16-bit PNG"), el("div", { className: "row" },
      Object.entries(products).map(([id, text]) => el("button", { type: "button", disabled: id === "sum" && !hasSum, onclick: () => act.frame(id) }, text))),
      el("p", { className: "quiet" }, "The cut-out is the foreground with alpha: straight, as PNG has it, or premultiplied, as it was photographed; the file's name says which. sRGB curve; the matte is linear.")),
    el("fieldset", {}, el("legend", {}, "The range"), el("div", { className: "row" }, number("from", "From"), number("to", "to")),
      el("div", { className: "row" },
        el("button", { type: "button", onclick: () => act.zip() }, hasSum ? "Sums and mattes as ZIP" : "Cut-outs and mattes as ZIP"),
        folder ? el("button", { type: "button", onclick: () => act.folder() }, "Into a folder") : null,
        clips?.map((kind) => el("button", { type: "button", disabled: !hasSum, onclick: () => act.clip(kind) }, `Sum as ${kind === "mp4" ? "MP4" : "WebM"} clip`))),
      clips?.length === 0 ? el("p", { className: "note" }, "This browser has no encoder for clips: take the ZIP.") : null),
    el("div", { className: "row" }, el("button", { type: "button", onclick: act.recipe }, "The recipe")));
  fill(into, ...children);
}
