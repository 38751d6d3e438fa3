// The playground: its parts are made here and joined to one store.
import { $ } from "./dom.js";
import { messageOf } from "./errors.js";
import { demoChoice, demoWells } from "./page/demo.js";
import { Drops } from "./page/drops.js";
import { Engines } from "./page/engines.js";
import { Frames, depends } from "./page/frames.js";
import { keysOf } from "./page/keys.js";
import { drawLooks, drawStrip, drawTop } from "./page/looks.js";
import { drawNotices, refuse } from "./page/notices.js";
import { Opening } from "./page/opening.js";
import { drawPanels } from "./page/panels.js";
import { late } from "./page/panels/late.js";
import { lessonPanel } from "./page/panels/lesson.js";
import { drawPixel } from "./page/panels/pixel.js";
import { platesPanel } from "./page/panels/plates.js";
import { readingsPanel } from "./page/panels/readings.js";
import { recipePanel } from "./page/panels/recipe.js";
import { savePanel } from "./page/panels/save.js";
import { Player } from "./page/player.js";
import { Probe } from "./page/probe.js";
import { Saver } from "./page/save.js";
import { Sessions } from "./page/sessions.js";
import { newStore } from "./page/state.js";
import { Take } from "./page/take.js";
import { drawTimeline } from "./page/timeline.js";
import { Viewer } from "./page/viewer.js";

const mostWorkers = 6; // each holds a take's reference plates, and more of them wait for memory, not for cores
const usualMemory = 4; // GB, where a browser does not say

/** @param {import("./page/state.js").PageStore} store */
async function start(store) {
  const compiled = WebAssembly.compileStreaming(fetch("engine.wasm"));
  const cores = navigator.hardwareConcurrency || 2;
  const engines = new Engines(compiled, Math.min(cores, mostWorkers));
  const demo = demoWells(1);

  /** @type {Viewer} */
  const viewer = new Viewer({
    pixel: (event) => {
      const { ready } = store.value;
      const [picture] = viewer.shown;
      if (!event.inside || !ready || ready.draft || !picture) return;
      const place = (/** @type {number} */ at, /** @type {number} */ of, /** @type {number} */ shown) => Math.min(of - 1, Math.floor(((at + 0.5) * of) / shown)); // the picture may be of half the size
      probe.at({ x: place(event.x, ready.w, picture.w), y: place(event.y, ready.h, picture.h) }, frames.signal);
    },
    view: (event) => ($("zoom").textContent = `${Math.round(event.percent)} %`),
    key: (event) => key(event),
    drag: (event) => drops.drag(event),
    failed: (why) => store.update({ lacks: [...store.value.lacks, `The graphics that this page draws by cannot be used here (${why}): a plain canvas shows the same pictures, more slowly.`] }),
  }, (picture) => take.spent(picture));
  const memory = /** @type {{deviceMemory?: number}} */ (navigator).deviceMemory ?? usualMemory;
  const take = new Take(engines, Math.min(memory, 8), (picture) => viewer.shown.includes(picture));
  const probe = new Probe(store, engines);
  const frames = new Frames(store, take, viewer, probe);
  const player = new Player(store, take, frames);
  const opening = new Opening(store, engines, take, viewer, frames, probe);
  const drops = new Drops(store, engines, opening);
  const saver = new Saver(store, engines);
  const sessions = new Sessions(store, drops);
  viewer.poster(sessions.poster ?? $("poster").dataset.demo ?? "");
  const openDemo = () => demoWells(0).then((wells) => store.choose(demoChoice(wells)), (error) => refuse(store, error));

  if (typeof VideoDecoder === "undefined") {
    store.update({ lacks: [...store.value.lacks, "This browser has no WebCodecs: clips can neither be opened nor written. Frames (PNG, TIFF, JPEG, OpenEXR and others) work, and so does the ZIP; or use another browser."] });
  }
  drawTop(store, drops);
  drawStrip(store);
  drawTimeline(store, player);
  drawLooks(store, viewer);
  drawPixel(store);
  drawPanels(store, [lessonPanel(store, player, openDemo), platesPanel(drops, openDemo, sessions), readingsPanel(store, engines), recipePanel(store, engines), late({ id: "shot", title: "Shot", reads: ["recipe", "ready", "frame", "pixel", "b", "errors"] }, async () => (await import("./page/panels/shot.js")).shotPanel(store, viewer, engines)), savePanel(saver)]);
  const key = keysOf(store, player, frames, viewer);
  addEventListener("keydown", key);
  for (const type of /** @type {const} */ (["dragenter", "dragover", "dragleave", "drop"])) {
    addEventListener(type, (event) => event.dataTransfer?.types.includes("Files") && drops.drag(event));
  }

  store.update({ busy: { text: "Fetching the engine" } });
  const about = await engines.ready;
  store.update({ version: about.recipe, curves: about.curves });
  store.subscribe(depends, (value, before) => {
    if (value.wells !== before.wells || value.recipe !== before.recipe) opening.changed(value, before);
    else frames.seek(value.frame, { thumbs: value.breaks !== before.breaks });
  });
  // For the tests, and for whoever opens the console.
  Object.assign(globalThis, { playground: { store, take, engines, viewer } });
  performance.mark("engine");
  if (!(await sessions.again())) store.update(demoChoice(await demo)); // there is no way back from it
  await opening.done;
  if ("serviceWorker" in navigator) navigator.serviceWorker.register("sw.js").catch(() => {}); // it works without, online
}

const store = newStore();
drawNotices(store);
start(store).catch((error) => store.update({ busy: { text: `The playground cannot start: ${messageOf(error)}` } }));
