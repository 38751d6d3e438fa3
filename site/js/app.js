// The playground: what the user does, and what is shown for it.
import { $, dropped, el } from "./dom.js";
import { Engines } from "./engine.js";
import { showLesson, steps } from "./lesson.js";
import { Look } from "./look.js";
import { showAway, showPlates, showReadings, showRecipe } from "./panels.js";
import { showPixel } from "./pixel.js";
import { group, isArchive, isClip, isPicture, isRecipe, pathsOf, sort, wells as wellList } from "./sort.js";
import { State } from "./state.js";
import { Take, expand, stations } from "./take.js";

const title = (id) => stations.find((s) => s.id === id)?.title ?? { background: "Background", matte: "Alpha", sigma: "Error bar of alpha", green: "Green backing" }[id] ?? id;
const others = ["background", "matte", "sigma"];
const steam = [610, 260]; // the pixel of the demo take that is shown first
const none = { double_exposure: false, gated_twice: false, spill: 0 };
const still = matchMedia("(prefers-reduced-motion: reduce)").matches;

// What can be undone.
const state = new State({ wells: {}, recipe: {}, breaks: none, a: "sum", b: null, look: { exposure: 0, channel: "rgb", under: "black", color: "#4a6b5d", clip: false } });

// What cannot, and need not.
const now = { frame: 0, fps: 24, demo: false, playing: false, loop: true, step: 5, tab: "lesson", errors: {}, notes: [], facts: [], marks: new Map(), failed: new Map(), range: null, clips: null, readings: null, readError: "", reading: null, away: null, recipeError: "", pixel: null };

let engines, take, look;
let scrubbing = new AbortController();

const say = (text) => ($("status").textContent = text);

function working(text, stop) {
  $("working").hidden = !text;
  $("working-text").textContent = text ?? "";
  $("working-stop").hidden = !stop;
  $("working-stop").onclick = stop ?? null;
}

// empty says in the picture's place why there is none; null is a picture.
function empty(text) {
  $("empty").textContent = text ?? "";
  $("empty").hidden = !text;
  if (text) $("name-a").textContent = $("name-b").textContent = "";
}

// ---- opening

async function start() {
  const compiled = WebAssembly.compileStreaming(fetch("engine.wasm"));
  const cores = navigator.hardwareConcurrency || 2;
  engines = new Engines(compiled, Math.min(Math.max(cores, 1), 6));
  const demo = demoWells(1);
  look = new Look(viewerSays, (picture) => take.spent(picture));
  build();
  working("Fetching the engine");
  take = new Take(engines, Math.min((navigator.deviceMemory ?? 4) / 8, 1) * 768e6, (picture) => look.shown.includes(picture));
  await engines.ready;
  state.on(changed);
  await openDemo(await demo, true);
  if ("serviceWorker" in navigator) navigator.serviceWorker.register("sw.js").catch(() => {});
}

// demoWells returns the demo take's wells and recipe, with as many of its frames, and all that is read once, fetched.
async function demoWells(frames) {
  const demo = await fetch("demo/take.json").then((response) => response.json());
  const url = (path) => new URL(`demo/${path}`, document.baseURI).href;
  const one = (path) => ({ name: path.split("/").at(-1), path, url: url(path) });
  const many = (folder) => demo[folder].map((name) => one(`${folder}/${name}`));
  const wells = { color: many("color"), band: many("band"), background: many("background") };
  for (const well of ["clean_color", "clean_band", "dark_color", "dark_band"]) wells[well] = [one(`${well}.jpg`)];
  const fetched = Object.values(wells).flatMap((entries) => entries.slice(0, frames)).map(async (entry) => {
    const response = await fetch(entry.url);
    if (response.ok) entry.file = await response.blob();
  });
  await Promise.all(fetched);
  return { wells: { ...wells, green: many("green") }, recipe: withoutPaths(demo.recipe) };
}

async function openDemo(demo, first) {
  const { wells, recipe } = demo ?? (await demoWells(0));
  performance.mark("engine");
  now.demo = true;
  now.fps = 24;
  state.set({ wells, recipe, breaks: none, a: "sum", b: null });
  if (first) state.begin();
  await opening;
}

const pathFields = ["color", "band", "background", "clean_color", "clean_band", "dark_color", "dark_band", "version", "frames", "write", "format", "depth"];
const withoutPaths = (recipe) => Object.fromEntries(Object.entries(recipe).filter(([key]) => !pathFields.includes(key)));

let opening = Promise.resolve();
let turn = 0;

// open makes the wells and the recipe that are set the take that is shown.
async function open() {
  const mine = ++turn;
  const { wells, recipe } = state.value;
  stop();
  scrubbing.abort(); // what is under way is about the take before
  fetching.abort();
  now.errors = {};
  now.notes = [];
  now.facts = [];
  now.failed.clear();
  now.readings = null;
  now.marks.clear();
  now.pixel = null;
  now.range = null;
  const nothing = (text) => {
    take.frames = [];
    take.forget();
    look.show(0, null);
    look.show(1, null);
    for (const s of stations) drawThumbs([{ station: s.id }]);
    working(null);
    empty(text);
    look.begin();
  };
  if (!wells.color?.length || !wells.band?.length) {
    nothing(`Give a ${wells.color?.length ? "" : "color plate"}${wells.color?.length || wells.band?.length ? "" : " and a "}${wells.band?.length ? "" : "band plate"}, and the take opens.`);
    render();
    return;
  }
  empty(null);
  const began = performance.now();
  const words = () => `Making the take ready${performance.now() - began > 1500 ? `: ${Math.round((performance.now() - began) / 1000)} s` : ""}`;
  const cancel = async () => {
    turn++;
    working("Stopping");
    await engines.restart();
    working(null);
    now.errors.general = "stopped: change a plate or a setting, or undo, and the take opens again";
    show("plates");
  };
  working(words(), cancel);
  const clock = setInterval(() => mine === turn && working(words(), cancel), 500);
  try {
    const opened = await take.open(wells, recipe);
    if (mine !== turn) return;
    if (!take.frames.includes(now.frame)) now.frame = take.frames[0];
    performance.mark("opened");
    const ready = await take.prepare();
    performance.mark("prepared");
    if (mine !== turn) return;
    now.notes = [...opened.notes, ...ready.notes.filter((n) => !opened.notes.includes(n)), ...ready.warnings];
    now.facts = [`${take.frames.length} ${take.frames.length === 1 ? "pair" : "pairs"} of ${ready.w}×${ready.h} pixels. Geometry: ${ready.model}${ready.mirror ? ", mirrored" : ""}${ready.residual_px ? `, edges within ${ready.residual_px.toFixed(2)} px` : ""}.`];
    now.range = { first: take.frames[0], last: take.frames.at(-1), from: take.frames[0], to: take.frames.at(-1) };
    clearInterval(clock);
    working(null);
    if (!look.frame.src) await firstPicture();
    render();
    await seek(now.frame, { thumbs: true });
    if (mine !== turn) return;
    const [x, y] = now.demo ? steam : [Math.floor(ready.w / 2), Math.floor(ready.h / 2)];
    if (!now.pixel) pixelAt(x, y);
    take.share().then(prefetch, (error) => error.name === "AbortError" || place(error.message));
  } catch (error) {
    if (mine !== turn || error.name === "AbortError") return;
    nothing("The take does not open. Under Plates it says why.");
    place(error.message);
    show("plates");
  } finally {
    clearInterval(clock);
    if (mine === turn) working(null);
    render();
  }
}

// firstPicture shows the sum before the viewer, which is as large a program as the engine, is fetched.
async function firstPicture() {
  try {
    const { result, buffers } = await engines.call("display", { number: now.frame, breaks: state.value.breaks, stations: ["sum"], width: 0 }, { urgent: true });
    look.first(buffers[0], result.w, result.h);
    performance.mark("composite");
  } finally {
    look.begin();
  }
}

// place puts an error where the file was dropped.
function place(text) {
  const well = wellList.find((w) => text.includes(`${w.id}/`) || text.startsWith(w.title.toLowerCase()))?.id ?? "general";
  now.errors[well] = text;
  say(`Not done: ${text}`);
}

function changed(value, before) {
  $("undo").disabled = !state.past.length;
  $("redo").disabled = !state.future.length;
  if (value.wells !== before.wells || value.recipe !== before.recipe) opening = open();
  else {
    render();
    seek(now.frame, { thumbs: value.breaks !== before.breaks });
  }
}

// ---- frames

let seeks = 0;
let presented = 0; // the seek whose picture is shown
let toward = 1; // the direction of travel

// seek shows a frame. While the hand moves on, frames that are being made are shown in their order, and those that wait are
// dropped. JPEG and PNG are shown as the browser decodes them first, and then as the library does.
async function seek(number, { thumbs = false } = {}) {
  if (!take?.prepared || !take.frames.length) return;
  const mine = ++seeks;
  if (number !== now.frame) toward = number < now.frame ? -1 : 1;
  now.frame = number;
  scrubbing.abort();
  scrubbing = new AbortController();
  const { signal } = scrubbing;
  const value = state.value;
  const { a, b, breaks } = value;
  const names = b ? [a, b] : [a];
  drawTime();
  const put = (pictures, rough) => {
    if (mine < presented || value !== state.value) return;
    presented = mine;
    present(pictures, rough);
  };
  const there = names.map((name) => take.cached(number, breaks, name));
  try {
    if (there.every(Boolean)) put(there);
    else {
      fetching.abort();
      const { pictures, rough } = await take.want(number, breaks, names, { signal, urgent: true, finish: true, quick: !breaks.spill });
      put(pictures, rough);
      if (signal.aborted) return;
      if (rough) put((await take.want(number, breaks, names, { signal, urgent: true })).pictures);
      now.failed.delete(number);
    }
    if (now.playing) return;
    if (!thumbs) await new Promise((resolve) => setTimeout(resolve, 150));
    if (signal.aborted) return;
    const { thumbs: small } = await take.want(number, breaks, [], { thumbs: stations.map((s) => s.id), signal });
    if (!signal.aborted) drawThumbs(small);
    if (now.pixel && !signal.aborted) pixelAt(now.pixel.x, now.pixel.y);
    prefetch();
  } catch (error) {
    if (error.name === "AbortError" || signal.aborted) return;
    now.failed.set(number, error.message);
    place(error.message);
    drawMarks();
    panels();
  }
}

// present shows pictures. Those that are rough say that they are a first look: the library's own follow.
function present(pictures, rough = false) {
  const { a, b } = state.value;
  const wrong = pictures.map((p) => p.missing).filter(Boolean);
  pictures = pictures.map((p) => (p.missing ? null : p));
  look.show(0, pictures[0]);
  look.show(1, b ? pictures[1] : null);
  if (wrong.length) working(wrong[0]);
  else if ($("working-stop").hidden) working(null);
  const name = (station) => (rough ? `${title(station)}, first look` : title(station));
  $("name-a").textContent = name(a);
  $("name-b").textContent = b ? name(b) : "";
  if (look.tooLarge) working("This picture is larger than this browser's graphics can show: the take can still be taken away");
}

// prefetch fills the cache around the frame while nothing else is asked for.
let fetching = new AbortController();
async function prefetch() {
  fetching.abort();
  fetching = new AbortController();
  const { signal } = fetching;
  const { a, b, breaks } = state.value;
  const names = b ? [a, b] : [a];
  if (!take.prepared) return;
  const room = Math.floor(take.budget / (8 * take.prepared.w * take.prepared.h * names.length)) - 2;
  const i = take.frames.indexOf(now.frame);
  const [before, after] = [take.frames.slice(0, i), take.frames.slice(i + 1)];
  const order = (toward < 0 ? [...before.reverse(), ...after.reverse()] : [...after, ...before]).slice(0, Math.max(0, room));
  const most = Math.max(1, engines.workers.length - 1); // one stays free for the frame that is asked for
  const lanes = Array.from({ length: most }, async (_, lane) => {
    for (let k = lane; k < order.length && !signal.aborted; k += most) {
      if (names.every((name) => take.cached(order[k], breaks, name))) continue;
      try {
        await take.want(order[k], breaks, names, { signal });
      } catch (error) {
        if (error.name === "AbortError") return;
        now.failed.set(order[k], error.message);
        drawMarks();
      }
    }
  });
  await Promise.all(lanes);
}

function go(by) {
  const i = take.frames.indexOf(now.frame);
  if (i >= 0) seek(take.frames[Math.min(Math.max(i + by, 0), take.frames.length - 1)]);
}

async function play() {
  if (now.playing) return stop();
  if (take.frames.length < 2) return;
  now.playing = true;
  drawTime();
  prefetch();
  const names = () => (state.value.b ? [state.value.a, state.value.b] : [state.value.a]);
  while (now.playing) {
    const began = performance.now();
    let i = take.frames.indexOf(now.frame) + 1;
    if (i >= take.frames.length) {
      if (!now.loop) break;
      i = 0;
    }
    const number = take.frames[i];
    try {
      const { pictures } = await take.want(number, state.value.breaks, names(), { urgent: true });
      if (!now.playing) break;
      now.frame = number;
      present(pictures);
    } catch (error) {
      if (error.name === "AbortError") break;
      now.failed.set(number, error.message);
      now.frame = number;
      drawMarks();
    }
    drawTime();
    const left = 1000 / now.fps - (performance.now() - began);
    await new Promise((resolve) => (left > 4 ? setTimeout(resolve, left) : requestAnimationFrame(resolve)));
  }
  now.playing = false;
  drawTime();
  if (take.frames.length) seek(now.frame);
}

function stop() {
  now.playing = false;
  drawTime();
}

// ---- the pixel

let asking = false;
let asked = null;
async function pixelAt(x, y) {
  asked = { x, y };
  if (asking) return;
  asking = true;
  while (asked) {
    const { x, y } = asked;
    asked = null;
    try {
      const { result } = await engines.call("pixel", { number: now.frame, breaks: state.value.breaks, x, y }, { signal: scrubbing.signal, urgent: true });
      now.pixel = result;
    } catch (error) {
      if (error.name !== "AbortError") now.pixel = null;
    }
  }
  asking = false;
  showPixel($("pixel"), now.pixel);
}

function viewerSays(name, event) {
  if (name === "pixel" && event.inside && !now.playing && take?.prepared) pixelAt(event.x, event.y);
  else if (name === "view") $("zoom").textContent = `${Math.round(event.percent)} %`;
  else if (name === "key") key(event);
  else if (name === "drag") drag(event);
  else if (name === "failed") working(`The picture cannot be drawn in this browser (${event}): the panels and the files still work`);
}

// ---- drops

function drag(event) {
  event.preventDefault();
  $("veil").hidden = !(event.type === "dragenter" || event.type === "dragover");
  if (event.type === "drop") dropped(event.dataTransfer).then(takeIn);
}

// takeIn sorts one drop of anything into the wells.
async function takeIn(list) {
  if (!list.length) return;
  working("Sorting what was dropped");
  now.errors = {};
  show("plates");
  try {
    let entries = [];
    for (const entry of list) {
      if (isArchive(entry.path)) {
        const { unzip } = await import("./archive.js");
        entries.push(...(await unzip(entry.file)));
      } else entries.push(entry);
    }
    const recipe = entries.find((e) => isRecipe(e.path));
    const plates = entries.filter((e) => isPicture(e.path) || isClip(e.path));
    const strange = entries.filter((e) => e !== recipe && !plates.includes(e) && !/(^|\/)\./.test(e.path));
    if (strange.length) now.errors.general = `${strange[0].path}${strange.length > 1 ? ` and ${strange.length - 1} more` : ""}: plates are PNG, TIFF, JPEG, WebP, EXR, DPX, PNM or Y4M frames, or MP4, MOV and WebM clips; the rest was left out`;
    if (!plates.length) {
      if (recipe) await loadRecipe([recipe]);
      return;
    }
    const { placed, unsure } = await sort(plates, describe);
    if (unsure.length) await ask(placed, unsure);
    // A drop with both plates is a new take; one without adds to the take that is there.
    const fresh = placed.has("color") && placed.has("band");
    await fill(placed, fresh || now.demo, recipe);
  } catch (error) {
    place(error.message);
  } finally {
    working(null);
    if (Object.keys(now.errors).length) show("plates");
    else panels();
  }
}

async function describe(entry) {
  const name = `/look/${entry.path.split("/").at(-1)}`;
  engines.workers[0].port.postMessage({ files: { clear: ["/look"], put: [[name, entry.file]] } });
  return (await engines.call("look", { path: name }, { worker: engines.workers[0], urgent: true })).result;
}

function ask(placed, unsure) {
  const rows = unsure.map((entries) => {
    const select = el("select", { "aria-label": entries[0].path }, el("option", { value: "" }, "leave it out"), wellList.map((w) => el("option", { value: w.id }, w.title)));
    const free = wellList.find((w) => !placed.has(w.id) && !(unsure.indexOf(entries) > 0 && w.id === "color"));
    select.value = free?.id ?? "";
    return { entries, select, node: el("div", { className: "sort-row" }, el("span", {}, entries.length > 1 ? `${entries[0].path} … (${entries.length})` : entries[0].path), select) };
  });
  $("sort-rows").replaceChildren(...rows.map((r) => r.node));
  const dialog = $("sort-dialog");
  dialog.showModal();
  return new Promise((resolve) => dialog.addEventListener("close", () => {
    if (dialog.returnValue === "ok") for (const { entries, select } of rows) if (select.value) placed.set(select.value, entries);
    resolve();
  }, { once: true }));
}

// fill puts dropped entries into wells; fresh leaves nothing of the take before.
async function fill(placed, fresh, recipeFile) {
  const { open: openClip } = await import("./clips.js");
  const wells = fresh ? {} : { ...state.value.wells };
  for (const [well, entries] of placed) {
    if (!entries.length) {
      delete wells[well];
      continue;
    }
    working(`Reading ${entries[0].path}`);
    try {
      wells[well] = await expand(entries, openClip);
      if (well === "color" && wells[well][0].fps) now.fps = wells[well][0].fps;
    } catch (error) {
      now.errors[well] = error.message;
      say(`Not done: ${error.message}`);
    }
  }
  const errors = now.errors;
  let recipe = fresh ? {} : state.value.recipe;
  if (recipeFile) recipe = withoutPaths(JSON.parse(await recipeFile.file.text()));
  now.demo = false;
  state.set({ wells, recipe, breaks: none, b: state.value.b === "green" ? null : state.value.b });
  await opening;
  now.errors = { ...errors, ...now.errors };
}

// ---- recipe

async function loadRecipe(list) {
  now.recipeError = "";
  try {
    const recipe = JSON.parse(await list[0].file.text());
    if (typeof recipe !== "object" || !recipe.version) throw new Error("it has no version: a recipe is what Save the recipe or twinplate comp --save-recipe writes");
    state.set({ recipe: withoutPaths(recipe) });
  } catch (error) {
    now.recipeError = `${list[0].file.name}: ${error.message}`;
  }
  panels();
}

// savedRecipe is the recipe as the command reads it: with every estimate, and the plates where they lay.
function savedRecipe() {
  const recipe = { ...(take.prepared?.recipe ?? { version: 1, ...state.value.recipe }), ...pathsOf(state.value.wells) };
  return new Blob([JSON.stringify(recipe, null, 2) + "\n"], { type: "application/json" });
}

// ---- taking away

function download(blob, name) {
  const link = el("a", { href: URL.createObjectURL(blob), download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
}

const products = { sum: "Sum", cutout: "Cut-out, straight", cutout_premultiplied: "Cut-out, premultiplied", matte: "Matte" };

async function product(number, id, signal) {
  const { buffers } = await engines.call("write", { number, breaks: state.value.breaks, product: id }, { signal });
  return buffers[0];
}

const hasSum = () => !!state.value.wells.background?.length;
const chosen = () => take.frames.filter((n) => n >= now.range.from && n <= now.range.to);

async function* rangeFiles(signal) {
  for (const number of chosen()) {
    for (const id of hasSum() ? ["sum", "matte"] : ["cutout", "matte"]) {
      yield { name: `${id}/${String(number).padStart(4, "0")}.png`, bytes: await product(number, id, signal) };
    }
  }
  yield { name: "recipe.json", bytes: new Uint8Array(await savedRecipe().arrayBuffer()) };
}

async function* rangePixels(signal) {
  for (const number of chosen()) {
    const { buffers } = await engines.call("display", { number, breaks: state.value.breaks, stations: ["sum"], width: 0 }, { signal });
    yield { rgba: buffers[0] };
  }
}

// away runs one export with progress and a way to stop it.
async function away(text, total, work) {
  stop();
  const abort = new AbortController();
  const progress = (done) => {
    now.away.done = done;
    panels();
  };
  now.away = { text, total, done: 0, stop: () => abort.abort(new DOMException("stopped", "AbortError")) };
  panels();
  try {
    await work(abort.signal, progress);
    say(`${text}: done`);
  } catch (error) {
    if (error.name !== "AbortError") place(error.message);
  } finally {
    now.away = null;
    panels();
  }
}

const takeAway = {
  frame: (id) => away(products[id], 1, async (signal) => download(new Blob([await product(now.frame, id, signal)], { type: "image/png" }), `${id}_${String(now.frame).padStart(4, "0")}.png`)),
  zip: () => away("Writing the ZIP", 2 * chosen().length + 1, async (signal, progress) => {
    const { zip } = await import("./archive.js");
    download(await zip(rangeFiles(signal), { onProgress: progress, signal }), "twinplate.zip");
  }),
  folder: async () => {
    const handle = await window.showDirectoryPicker({ mode: "readwrite" }).catch(() => null);
    if (!handle) return;
    await away("Writing into the folder", 2 * chosen().length + 1, async (signal, progress) => {
      const { intoFolder } = await import("./archive.js");
      await intoFolder(handle, rangeFiles(signal), { onProgress: progress, signal });
    });
  },
  clip: (container) => away(`Writing the clip`, chosen().length, async (signal, progress) => {
    const { encode } = await import("./clipout.js");
    const blob = await encode({ width: take.prepared.w, height: take.prepared.h, fps: now.fps, frames: rangePixels(signal), container, onProgress: progress, signal });
    download(blob, `twinplate.${container}`);
  }),
  recipe: () => download(savedRecipe(), "take.json"),
  range: (change) => {
    const r = { ...now.range, ...change };
    now.range = { ...r, from: Math.min(Math.max(r.from, r.first), r.last), to: Math.min(Math.max(r.to, r.from, r.first), r.last) };
    panels();
  },
  stop: () => now.away?.stop(),
};

// ---- readings

async function readPlates() {
  const began = performance.now();
  const abort = new AbortController();
  now.readError = "";
  now.reading = { seconds: 0, stop: () => abort.abort(new DOMException("stopped", "AbortError")) };
  panels();
  const clock = setInterval(() => {
    now.reading.seconds = Math.round((performance.now() - began) / 1000);
    if (now.tab === "readings") panels();
  }, 1000);
  try {
    const worker = engines.workers.findLast((worker) => !worker.held); // the last that has the take
    const { result } = await engines.call("check", { fps: now.fps }, { worker, signal: abort.signal });
    now.readings = result;
    now.marks.clear();
    for (const g of result.gains) if (Math.abs(g.gain - 1) > 0.1) now.marks.set(g.frame, { word: g.gain < 1 ? "lamps dim" : "lamps bright", text: `${g.gain.toFixed(2)} of the clean plate` });
    say(`The plates are read: ${result.worst}`);
  } catch (error) {
    if (error.name !== "AbortError") now.readError = error.message;
  } finally {
    clearInterval(clock);
    now.reading = null;
    drawMarks();
    panels();
  }
}

// ---- drawing the page

const tabs = [["lesson", "Lesson"], ["plates", "Plates"], ["readings", "Readings"], ["recipe", "Recipe"], ["away", "Save"]];

function build() {
  $("tabs").append(...tabs.map(([id, text], i) => el("button", { type: "button", role: "tab", id: `tab-${id}`, "aria-controls": `panel-${id}`, onclick: () => show(id), onkeydown: (event) => {
    const to = { ArrowRight: i + 1, ArrowLeft: i - 1, Home: 0, End: tabs.length - 1 }[event.key];
    if (to === undefined) return;
    event.preventDefault();
    event.stopPropagation();
    const [next] = tabs[(to + tabs.length) % tabs.length];
    show(next);
    $(`tab-${next}`).focus();
  } }, text)));
  $("strip").append(...stations.map((s, i) => el("button", { type: "button", id: `station-${s.id}`, title: `${s.title} (${i + 1})`, onclick: () => state.set({ a: s.id }, "station") }, el("canvas", { width: 192, height: 108, "aria-hidden": "true" }), el("span", {}, s.title, s.op && el("span", { className: "op" }, s.op)))));
  $("beside").append(el("option", { value: "" }, "nothing"), ...[...stations.map((s) => s.id), ...others, "green"].map((id) => el("option", { value: id }, title(id))));
  $("undo").onclick = () => state.undo();
  $("redo").onclick = () => state.redo();
  $("keys").onclick = () => $("keys-dialog").showModal();
  $("back").onclick = () => (stop(), go(-1));
  $("forth").onclick = () => (stop(), go(1));
  $("play").onclick = play;
  $("loop").onchange = (event) => (now.loop = event.target.checked);
  $("scrub").oninput = (event) => {
    const i = Number(event.target.value); // stop sets it back to the frame that is shown
    stop();
    seek(take.frames[i]);
  };
  $("beside").onchange = (event) => state.set({ b: event.target.value || null }, "beside");
  const lookAt = (change, kind) => state.set({ look: { ...state.value.look, ...change } }, kind);
  $("exposure").oninput = (event) => lookAt({ exposure: Number(event.target.value) }, "exposure");
  $("channel").onchange = (event) => lookAt({ channel: event.target.value });
  $("under").onchange = (event) => lookAt({ under: event.target.value });
  $("under-color").oninput = (event) => lookAt({ color: event.target.value, under: "color" }, "color");
  $("clip").onchange = (event) => lookAt({ clip: event.target.checked });
  $("fit").onclick = () => look.api?.fit();
  $("actual").onclick = () => look.api?.actual();
  addEventListener("keydown", key);
  for (const type of ["dragenter", "dragover", "dragleave", "drop"]) addEventListener(type, (event) => event.dataTransfer?.types.includes("Files") && drag(event));
  render();
}

function key(event) {
  const into = event.target;
  if (event.defaultPrevented || event.altKey || into?.closest?.("dialog")) return;
  if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z" && into?.type !== "text" && into?.type !== "number") {
    event.preventDefault();
    return event.shiftKey ? state.redo() : state.undo();
  }
  if (event.ctrlKey || event.metaKey || into?.matches?.("input:not([type=checkbox]), select, textarea") || !take?.frames.length) return;
  const press = into?.matches?.("button, summary, a, input, [role=tabpanel]");
  const inTabs = into?.closest?.("[role=tablist]");
  const acts = {
    ArrowLeft: () => !inTabs && (stop(), go(-1)), ArrowRight: () => !inTabs && (stop(), go(1)),
    Home: () => seek(take.frames[0]), End: () => seek(take.frames.at(-1)),
    w: () => look.api?.fit(), p: () => look.api?.actual(),
    d: () => state.set({ b: state.value.b ? null : state.value.a === "color" ? "sum" : "color" }, "beside"),
  };
  if (event.key === " " && !press) acts[" "] = play;
  const n = Number(event.key);
  if (n >= 1 && n <= stations.length) acts[event.key] = () => state.set({ a: stations[n - 1].id }, "station");
  const act = acts[event.key] ?? acts[event.key.toLowerCase()];
  if (!act) return;
  event.preventDefault();
  act();
}

function show(tab) {
  now.tab = tab;
  panels();
  if (tab === "away" && !now.clips) findEncoders().catch((error) => place(error.message));
}

// findEncoders asks which clips this browser can write, once somebody may want one: the library that asks is large.
async function findEncoders() {
  const { possible } = await import("./clipout.js");
  now.clips = (await possible()).map((can) => can.container);
  panels();
}

function render() {
  const { a, b, look: l } = state.value;
  for (const s of stations) $(`station-${s.id}`).setAttribute("aria-pressed", String(s.id === a));
  const green = [...$("beside").options].find((o) => o.value === "green");
  green.hidden = green.disabled = !state.value.wells.green;
  $("beside").value = b ?? "";
  $("exposure").value = l.exposure;
  $("exposure-out").textContent = `${l.exposure > 0 ? "+" : ""}${l.exposure} stops`.replace("-", "−");
  $("channel").value = l.channel;
  $("under").value = l.under;
  $("under-color").value = l.color;
  $("clip").checked = l.clip;
  const part = (i) => parseInt(l.color.slice(i, i + 2), 16) / 255;
  look?.set({ exposure: l.exposure, channel: l.channel, under: l.under, underColor: [part(1), part(3), part(5)], clip: l.clip });
  if (look && (b === null) !== (look.at === null)) look.divider(b ? 0.5 : null);
  drawTime();
  drawMarks();
  panels();
}

function panels() {
  for (const [id] of tabs) {
    const on = id === now.tab;
    $(`tab-${id}`).setAttribute("aria-selected", String(on));
    $(`tab-${id}`).tabIndex = on ? 0 : -1;
    $(`panel-${id}`).hidden = !on;
  }
  const focus = document.activeElement?.closest(".panel") && { text: document.activeElement.textContent, tag: document.activeElement.tagName };
  const into = $(`panel-${now.tab}`);
  const { wells, recipe, breaks } = state.value;
  switch (now.tab) {
    case "lesson":
      showLesson(into, { step: now.step, breaks, demo: now.demo }, { step: lessonStep, breaks: (b) => state.set({ breaks: b }), demo: () => openDemo() });
      break;
    case "plates":
      showPlates(into, { placed: wells, errors: now.errors, notes: now.notes, facts: now.facts, demo: now.demo }, { drop: takeIn, demo: () => openDemo(), fill: (well, list) => fill(new Map([[well, group(list).flat()]]), false).catch((error) => place(error.message)).finally(() => (working(null), panels())) });
      break;
    case "readings":
      showReadings(into, { readings: now.readings, running: now.reading, seconds: now.reading?.seconds, error: now.readError }, { read: readPlates, stop: () => now.reading?.stop() });
      break;
    case "recipe":
      showRecipe(into, { recipe, error: now.recipeError }, { change: (change) => state.set({ recipe: { ...recipe, ...change } }), defaults: () => state.set({ recipe: {} }), save: takeAway.recipe, load: loadRecipe });
      break;
    case "away":
      if (now.range) showAway(into, { range: now.range, products, clips: now.clips, running: now.away, folder: "showDirectoryPicker" in window, hasSum: hasSum() }, takeAway);
      else into.replaceChildren(el("p", {}, "There is no take yet: give plates first."));
  }
  showPixel($("pixel"), now.pixel);
  if (focus) [...into.querySelectorAll(focus.tag)].find((node) => node.textContent === focus.text && !node.disabled)?.focus();
}

function lessonStep(i) {
  now.step = i;
  const { a, b, breaks } = steps[i];
  state.set({ a, b: b === "green" && !state.value.wells.green ? null : b, breaks: { ...none, ...breaks } }, "lesson");
  if (!now.playing && !still) play();
}

function drawTime() {
  const frames = take?.frames ?? [];
  const i = Math.max(frames.indexOf(now.frame), 0);
  $("scrub").max = Math.max(frames.length - 1, 0);
  $("scrub").value = i;
  $("scrub").disabled = frames.length < 2;
  const rate = Math.round(now.fps);
  const two = (n) => String(n).padStart(2, "0");
  const seconds = Math.floor(i / rate);
  const code = `${two(Math.floor(seconds / 3600))}:${two(Math.floor(seconds / 60) % 60)}:${two(seconds % 60)}:${two(i % rate)}`;
  $("code").textContent = frames.length ? code : "no take";
  $("number").textContent = frames.length ? `frame ${now.frame}` : "";
  $("scrub").setAttribute("aria-valuetext", `frame ${now.frame}, ${i + 1} of ${frames.length}`);
  $("play").textContent = now.playing ? "❚❚" : "▶";
  $("play").setAttribute("aria-pressed", String(now.playing));
}

// drawMarks puts a word at every frame that a reading warns of, or that could not be made. Frames in a row with the same
// word have one mark, and marks too close to be told apart are one.
function drawMarks() {
  const frames = take?.frames ?? [];
  const last = Math.max(frames.length - 1, 1);
  const all = new Map(now.marks);
  for (const [n, text] of now.failed) all.set(n, { word: "not made", text });
  const marks = [];
  frames.forEach((n, i) => {
    const mark = all.get(n);
    if (!mark) return;
    const near = marks.at(-1);
    if (near && (i - near.to) / last < 0.14 && (i - near.to === 1 || (i - near.from) / last < 0.14)) {
      near.to = i;
      near.words.add(mark.word);
      near.texts.push(`frame ${n}: ${mark.text}`);
    } else marks.push({ from: i, to: i, words: new Set([mark.word]), texts: [`frame ${n}: ${mark.text}`] });
  });
  $("marks").replaceChildren(...marks.map(({ from, to, words, texts }) => {
    const word = [...words].join(", ");
    const text = `${word}. ${texts.slice(0, 6).join("; ")}${texts.length > 6 ? `; and ${texts.length - 6} more` : ""}`;
    const mark = el("li", { className: from / last > 0.6 ? "mark to-left" : "mark" },
      el("button", { type: "button", title: text, "aria-label": text, onclick: () => (stop(), seek(frames[from])) }, word));
    mark.style.left = `${(100 * from) / last}%`;
    mark.style.setProperty("--length", `${(100 * (to - from)) / last}%`);
    return mark;
  }));
  $("marks").hidden = !marks.length;
}

function drawThumbs(thumbs) {
  for (const t of thumbs) {
    const canvas = $(`station-${t.station}`).querySelector("canvas");
    if (!t.rgba) {
      canvas.getContext("2d").clearRect(0, 0, canvas.width, canvas.height);
      continue;
    }
    canvas.width = t.w;
    canvas.height = t.h;
    canvas.getContext("2d").putImageData(new ImageData(new Uint8ClampedArray(t.rgba.buffer, t.rgba.byteOffset, 4 * t.w * t.h), t.w, t.h), 0, 0);
  }
}

// For the tests, and for whoever opens the console.
globalThis.playground = { state, now, get take() { return take; }, get engines() { return engines; }, get look() { return look; } };
start().catch((error) => working(`The playground cannot start: ${error.message}`));
