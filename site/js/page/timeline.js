// The time line: where the frame is in the take, and the frames that somebody should look at.
import { $, button, el, fill, input, onInput, onTick } from "../dom.js";
import { fpsOf, marksOf } from "./state.js";

/** @typedef {import("./state.js").State} State */
/** @typedef {{from: number, to: number, words: Set<string>, texts: string[]}} Mark places of the take, the words at them, and sentences */

const room = 0.14; // of the time line's length, that a mark's word takes
const right = 0.6; // of it, from where on a mark's word stands to the left
const mostTexts = 6; // sentences of one mark

/**
 * drawTimeline joins the time line to the store and the player.
 * @param {import("./state.js").PageStore} store
 * @param {import("./player.js").Player} player
 */
export function drawTimeline(store, player) {
  button("back").onclick = () => player.step(-1);
  button("forth").onclick = () => player.step(1);
  button("play").onclick = () => player.toggle();
  input("loop").onchange = onTick((loop) => store.update({ loop }));
  input("sound").onchange = onTick((sound) => store.update({ sound }));
  store.show(["wells"], ({ wells }) => ($("sound-label").hidden = !wells.color?.[0]?.clip));
  store.show(["playing", "rate"], ({ playing, rate }) => ($("rate").textContent = playing ? rate : ""));
  input("scrub").oninput = onInput((place) => player.go(store.value.frames[Number(place)]));
  store.show(["frames", "frame", "wells"], drawTime);
  store.show(["playing"], ({ playing }) => {
    $("play").textContent = playing ? "❚❚" : "▶";
    $("play").setAttribute("aria-pressed", String(playing));
  });
  store.show(["frames", "failed", "readings"], (value) => {
    const marks = gathered(value);
    fill($("marks"), marks.map((mark) => markOf(mark, value.frames, player)));
    $("marks").hidden = !marks.length;
  });
}

/** @param {State} value */
function drawTime(value) {
  const { frames, frame } = value;
  const i = Math.max(frames.indexOf(frame), 0);
  const scrub = input("scrub");
  scrub.max = String(Math.max(frames.length - 1, 0));
  scrub.value = String(i);
  scrub.disabled = frames.length < 2;
  scrub.setAttribute("aria-valuetext", `frame ${frame}, ${i + 1} of ${frames.length}`);
  $("code").textContent = frames.length ? timecode(i, Math.round(fpsOf(value))) : "no take";
  $("number").textContent = frames.length ? `frame ${frame}` : "";
}

/**
 * timecode names the place i of a take.
 * @param {number} i
 * @param {number} rate frames a second
 */
function timecode(i, rate) {
  const seconds = Math.floor(i / rate);
  return [Math.floor(seconds / 3600), Math.floor(seconds / 60) % 60, seconds % 60, i % rate].map((n) => String(n).padStart(2, "0")).join(":");
}

/**
 * gathered returns a mark for every frame that a reading warns of, or that could not be made.
 * Frames in a row with the same word have one mark, and marks too close to be told apart are one.
 * @param {State} value
 */
function gathered(value) {
  const { frames, failed } = value;
  const last = Math.max(frames.length - 1, 1);
  const all = marksOf(value);
  for (const [n, text] of failed) all.set(n, { word: "not made", text });
  /** @type {Mark[]} */
  const marks = [];
  frames.forEach((n, i) => {
    const mark = all.get(n);
    if (!mark) return;
    const text = `frame ${n}: ${mark.text}`;
    const near = marks.at(-1);
    if (near && (i - near.to) / last < room && (i - near.to === 1 || (i - near.from) / last < room)) {
      near.to = i;
      near.words.add(mark.word);
      near.texts.push(text);
    } else marks.push({ from: i, to: i, words: new Set([mark.word]), texts: [text] });
  });
  return marks;
}

/**
 * markOf makes a mark that leads to its frame.
 * @param {Mark} mark
 * @param {number[]} frames
 * @param {import("./player.js").Player} player
 */
function markOf({ from, to, words, texts }, frames, player) {
  const last = Math.max(frames.length - 1, 1);
  const word = [...words].join(", ");
  const text = `${word}. ${texts.slice(0, mostTexts).join("; ")}${texts.length > mostTexts ? `; and ${texts.length - mostTexts} more` : ""}`;
  const node = el("li", { className: from / last > right ? "mark to-left" : "mark" },
    el("button", { type: "button", title: text, "aria-label": text, onclick: () => player.go(frames[from]) }, word));
  node.style.left = `${(100 * from) / last}%`;
  node.style.setProperty("--length", `${(100 * (to - from)) / last}%`);
  return node;
}
