// The live page: its parts are made here and joined to one store.
import { $, button } from "./dom.js";
import { messageOf } from "./errors.js";
import { drawFigures } from "./live/figures.js";
import { Graphics } from "./live/graphics.js";
import { drawInputs, Source } from "./live/inputs.js";
import { drawKept } from "./live/kept.js";
import { drawPictures } from "./live/pictures.js";
import { drawPlates } from "./live/plates.js";
import { Session } from "./live/session.js";
import { newStore } from "./live/state.js";
import { Engines } from "./page/engines.js";

const workers = 3; // one makes the pictures, one reads them, one finds the geometry
const seenKey = "twinplate-caution";

/** @param {import("./live/state.js").LiveStore} store */
async function start(store) {
  const engines = new Engines(WebAssembly.compileStreaming(fetch("engine.wasm")), workers);
  const more = Promise.all([engines.add(), engines.add()]);
  const graphics = new Graphics();
  store.subscribe(["drawn", "ready", "view"], ({ drawn, ready }) => graphics.show(drawn && !!ready));
  const session = new Session(store, engines, graphics);
  const source = new Source(store, session);
  drawInputs(store, source);
  drawPictures(store, session, source);
  drawFigures(store, session);
  drawPlates(store, session);
  drawKept(store, session);
  // For the tests, and for whoever opens the console.
  Object.assign(globalThis, { live: { store, session, source, engines, graphics } });
  session.about = await engines.ready;
  await more;
  store.update({ curves: session.about.curves, working: "" });
  await source.resume();
}

const store = newStore();
store.show(["working"], ({ working }) => {
  $("working").hidden = !working;
  $("working").textContent = working;
});
store.show(["wrong"], ({ wrong }) => {
  $("wrong").hidden = !wrong;
  $("wrong").textContent = wrong;
});
store.show(["status", "wrong"], ({ status, wrong }) => ($("status").textContent = wrong || status));

// The cautions are read before anything is lit; who has read them today is not asked again.
const today = new Date().toDateString();
const seen = () => {
  try {
    return localStorage.getItem(seenKey) === today;
  } catch {
    return false;
  }
};
$("caution").hidden = seen();
button("caution-seen").onclick = () => {
  $("caution").hidden = true;
  try {
    localStorage.setItem(seenKey, today);
  } catch {} // it is shown again
};

start(store).catch((error) => store.update({ working: "", wrong: `The live page cannot start: ${messageOf(error)}` }));
