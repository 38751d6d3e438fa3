// The readings as large figures, with verdict, the last minute and what to do; one that is pinned
// fills the window. What is not checked all the time stands below.
import { $, el, fill, press, tick } from "../dom.js";
import { signs } from "../page/panels/readings.js";

/** @typedef {import("./state.js").State} State */
/** @typedef {import("./state.js").LiveStore} LiveStore */
/** @typedef {import("../page/operations.js").Reading} Reading */

const tone = { low: 220, high: 880, most: 0.05 }; // Hz, of no spill and of that much light through the performer
const loudness = 0.05; // of full scale: it lies under speech

/**
 * all returns the readings, those of now before those of the preparation, spill first.
 * @param {Pick<State, "readings" | "slow">} value
 */
function all({ readings, slow }) {
  const order = (/** @type {Reading} */ r) => (r.name === "spill" ? 0 : 1);
  return [...readings, ...slow.filter((s) => !readings.some((r) => r.name === s.name))].sort((a, b) => order(a) - order(b));
}

/** @param {Reading} r */
const figure = (r) => (r.value === null ? "–" : String(Number(r.value.toPrecision(r.value >= 100 ? 3 : 2))));

/**
 * trend draws a reading's last minute, from its least to its most.
 * @param {string} name
 * @param {import("./state.js").Moment[]} minute
 */
function trend(name, minute) {
  const points = minute.filter((m) => name in m.values);
  if (points.length < 2) return null;
  const values = points.map((m) => m.values[name]);
  const [low, high] = [Math.min(...values), Math.max(...values)];
  const end = points[points.length - 1].time;
  const svg = (/** @type {string} */ tag, /** @type {Record<string, string>} */ attributes) => {
    const node = document.createElementNS("http://www.w3.org/2000/svg", tag);
    for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
    return node;
  };
  const node = svg("svg", { viewBox: "0 0 600 100", preserveAspectRatio: "none", role: "img", "aria-label": `the last minute: ${low.toPrecision(2)} to ${high.toPrecision(2)}` });
  node.append(svg("polyline", { points: points.map((m, i) => `${(600 - (end - m.time) / 100).toFixed(0)},${(95 - (90 * (values[i] - low)) / (high - low || 1)).toFixed(1)}`).join(" ") }));
  return node;
}

/**
 * @param {LiveStore} store
 * @param {import("./session.js").Session} session
 */
export function drawFigures(store, session) {
  store.show(["readings", "slow", "running", "ready"], (value) => {
    const list = all(value);
    fill($("readings"), list.length ? list.map((r) => article(r, value.minute, store)) : el("p", { className: "quiet" }, value.running ? "The readings come once the geometry is found." : "No input is running."));
  });
  store.show(["told", "bump", "rate", "ready", "running"], ({ told, bump, rate, ready, running }) => fill($("told"),
    running && rate && rate.light < 8 ? el("p", { className: "note" }, "Both pictures are black: take the lens caps off, and see that the inputs send a picture.") : null,
    running && rate && rate.alike > 0.98 ? el("p", { className: "note" }, "Both pictures show the same: are they of one camera, or is the input not one that carries both?") : null,
    bump?.moved ? el("article", { className: "reading bad" },
      el("div", { className: "head" }, el("h3", {}, "The rig has moved"), el("span", { className: "verdict" }, signs.bad)),
      el("p", { className: "value" }, `${bump.pixels.toFixed(1)} `, el("small", {}, `± ${bump.sigma.toFixed(1)} px`)),
      el("p", {}, "The cameras do not stand to each other as they did when the geometry was found."),
      el("div", { className: "row" }, press("Find it anew", () => session.prepare(), { className: "main" }))) : null,
    ready ? el("details", {}, el("summary", {}, `The geometry: ${ready.model}${ready.residual_px ? `, ${ready.residual_px.toFixed(2)} px` : ""}${bump && !bump.moved ? bump.why ? ", not checked again" : `, moved by ${bump.pixels.toFixed(2)} px at most` : ""}`),
      bump?.why ? el("p", { className: "note" }, bump.why) : null,
      told.map((text) => el("p", { className: "note" }, text)),
      el("div", { className: "row" }, press("Find it anew", () => session.prepare()))) : null));

  store.show(["pinned", "readings", "slow", "minute", "tone"], (value) => {
    const r = all(value).find(({ name }) => name === value.pinned);
    $("pinned").hidden = !r;
    if (!r) return;
    const text = figure(r);
    fill($("pinned"),
      el("p", { className: "sign" }, `${r.title}: ${signs[r.verdict]}`),
      el("p", { className: `figure${text.length > 3 ? " long" : text.length < 3 ? " short" : ""}` }, text),
      el("p", { className: "unit" }, r.unit, r.name === "spill" ? ` · lets ${(100 * value.through).toFixed(1)} ± ${(100 * value.sigma).toFixed(1)} % through` : ""),
      trend(r.name, value.minute) ?? el("span", {}),
      el("div", { className: "row" }, press("Close", () => store.update({ pinned: "" })), r.name === "spill" ? tick("a tone that falls as spill falls", value.tone, (on) => store.update({ tone: on })) : null));
  });
  addEventListener("keydown", (event) => event.key === "Escape" && store.update({ pinned: "" }));
  /** @type {WakeLockSentinel | undefined} */
  let awake; // a phone on a stand stays lit
  store.subscribe(["pinned"], async ({ pinned }) => {
    if (pinned) awake = await navigator.wakeLock?.request("screen").catch(() => undefined);
    else await awake?.release();
  });
  sound(store);
}

/**
 * @param {Reading} r
 * @param {import("./state.js").Moment[]} minute
 * @param {LiveStore} store
 */
const article = (r, minute, store) => el("article", { className: `reading ${r.verdict}`, id: `reading-${r.name}` },
  el("div", { className: "head" }, el("h3", {}, r.title), el("span", { className: "verdict" }, signs[r.verdict] ?? r.verdict)),
  el("div", { className: "row" }, el("p", { className: "value" }, figure(r), " ", el("small", {}, r.value === null ? "not known" : `${r.sigma === undefined ? "" : `± ${Number(r.sigma.toPrecision(2))} `}${r.unit}`)), press("Pin", () => store.update({ pinned: r.name }), { title: "Fill the window with this figure" })),
  trend(r.name, minute),
  r.verdict === "good" ? null : el("p", {}, r.meaning),
  r.advice ? el("p", { className: "try" }, `On the set: ${r.advice}`) : null);

/**
 * sound is a tone as high as there is spill: it falls with it, and is off where nobody asked for it.
 * @param {LiveStore} store
 */
function sound(store) {
  /** @type {{context: AudioContext, oscillator: OscillatorNode} | null} */
  let playing = null;
  store.subscribe(["tone", "through", "running", "pinned"], ({ tone: wanted, through, running, pinned }) => {
    const on = wanted && running && pinned === "spill";
    if (!on) {
      playing?.context.close();
      playing = null;
      return;
    }
    if (!playing) {
      const context = new AudioContext();
      const [oscillator, gain] = [context.createOscillator(), context.createGain()];
      gain.gain.value = loudness;
      oscillator.connect(gain).connect(context.destination);
      oscillator.start();
      playing = { context, oscillator };
    }
    const part = Math.min(Math.max(through / tone.most, 0), 1);
    playing.oscillator.frequency.setTargetAtTime(tone.low * (tone.high / tone.low) ** part, playing.context.currentTime, 0.1); // s
  });
}
