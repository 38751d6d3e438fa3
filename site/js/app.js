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
import { newStore } from "./page/state.js";
import { Take } from "./page/take.js";
import { drawTimeline } from "./page/timeline.js";
import { Viewer } from "./page/viewer.js";

const mostWorkers = 6; // each holds a take's reference plates, and more of them wait for memory, not for cores
const cacheBytes = 768e6; // of finished pictures, on a machine of 8 GB or more: about 45 HD frames
const usualMemory = 4; // GB, where a browser does not say

/** @param {import("./page/state.js").PageStore} store */
async function start(store) {
  const compiled = WebAssembly.compileStreaming(fetch("engine.wasm"));
  const cores = navigator.hardwareConcurrency || 2;
  const engines = new Engines(compiled, Math.min(cores, mostWorkers));
  const demo = demoWells(1);

  /** @type {Viewer} */
  const viewer = new Viewer({
    pixel: (event) => event.inside && !store.value.playing && store.value.ready && probe.at(event, frames.signal),
    view: (event) => ($("zoom").textContent = `${Math.round(event.percent)} %`),
    key: (event) => key(event),
    drag: (event) => drops.drag(event),
    failed: (why) => store.update({ busy: { text: `The picture cannot be drawn in this browser (${why}): the panels and the files still work` } }),
  }, (picture) => take.spent(picture));
  const memory = /** @type {{deviceMemory?: number}} */ (navigator).deviceMemory ?? usualMemory;
  const take = new Take(engines, Math.min(memory / 8, 1) * cacheBytes, (picture) => viewer.shown.includes(picture));
  const probe = new Probe(store, engines);
  const frames = new Frames(store, take, viewer, probe);
  const player = new Player(store, take, frames);
  const opening = new Opening(store, engines, take, viewer, frames, probe);
  const drops = new Drops(store, engines, opening);
  const saver = new Saver(store, engines);
  const openDemo = () => demoWells(0).then((wells) => store.choose(demoChoice(wells)), (error) => refuse(store, error));

  drawTop(store);
  drawStrip(store);
  drawTimeline(store, player);
  drawLooks(store, viewer);
  drawPixel(store);
  drawPanels(store, [lessonPanel(store, player, openDemo), platesPanel(drops, openDemo), readingsPanel(store, engines), recipePanel(store), late({ id: "shot", title: "Shot", reads: ["recipe", "ready", "frame", "pixel"] }, async () => (await import("./page/panels/shot.js")).shotPanel(store, viewer)), savePanel(saver)]);
  const key = keysOf(store, player, frames, viewer);
  addEventListener("keydown", key);
  for (const type of /** @type {const} */ (["dragenter", "dragover", "dragleave", "drop"])) {
    addEventListener(type, (event) => event.dataTransfer?.types.includes("Files") && drops.drag(event));
  }

  store.update({ busy: { text: "Fetching the engine" } });
  const about = await engines.ready;
  store.update({ version: about.recipe });
  store.subscribe(depends, (value, before) => {
    if (value.wells !== before.wells || value.recipe !== before.recipe) opening.begin();
    else frames.seek(value.frame, { thumbs: value.breaks !== before.breaks });
  });
  // For the tests, and for whoever opens the console.
  Object.assign(globalThis, { playground: { store, take, engines, viewer } });
  const first = demoChoice(await demo);
  performance.mark("engine");
  store.update(first); // there is no way back from it
  await opening.done;
  if ("serviceWorker" in navigator) navigator.serviceWorker.register("sw.js").catch(() => {}); // it works without, online
}

const store = newStore();
drawNotices(store);
start(store).catch((error) => store.update({ busy: { text: `The playground cannot start: ${messageOf(error)}` } }));
