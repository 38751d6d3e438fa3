// The lesson: a walk over the stations of the job, with switches that break it.
import { el, fill, press, tick } from "../../dom.js";
import { unbroken } from "../state.js";

/** @typedef {import("../state.js").Breaks} Breaks */

/**
 * @typedef {object} Step
 * @property {string} title
 * @property {string} a the station that is looked at
 * @property {string | null} b and the one beside it
 * @property {Partial<Breaks>} [breaks]
 * @property {string} text
 * @property {string} [formula]
 * @property {string} trial
 */

const spill = 0.35; // of the screen's light, at the frame's left edge: the ghost is plain, and the coat still there

/** @type {Step[]} */
const steps = [
  { title: "The color plate", a: "color", b: null, text: "A ferry hand coils a wet rope on a pier at night, before a screen lit by sodium lamps. This camera sees every color except their one yellow line. So the screen is black here, and what you see is the performer alone, with hair, net and steam already mixed as the lens saw them.", trial: "Raise the exposure under Ways of looking: the screen stays black, the coat's own yellow does not." },
  { title: "The band plate", a: "band", b: "color", text: "The second camera looks through the same beam splitter and sees only the line, 589 nanometers. The screen shines, and the performer is a shadow. The yellow coat is dark too: it mirrors many wavelengths, and hardly any light of this one falls on it.", trial: "Drag the divider over the net: both cameras see the same threads." },
  { title: "Transmission", a: "transmission", b: "band", text: "Divide the band plate by the empty screen, pixel by pixel. One means the screen is fully visible; nought, the performer hides it; in between lie hair, steam, glass and the swinging lantern. Nobody drew this matte.", formula: "t = (band − leaked set light) ÷ screen", trial: "Point at the steam: At this pixel shows the division, and how sure the number is." },
  { title: "The background, held out", a: "held", b: "background", text: "Multiply the new background by the transmission. That leaves a hole, dark and soft at the edges, exactly where the performer will stand.", formula: "held out = t × background", trial: "Point at the glass float: the hole is not quite dark, since you can look through glass." },
  { title: "The foreground", a: "foreground", b: "sum", text: "The performer needs no cutting. Against black, the color plate is already the performer times their own opacity. The little glow of the screen is taken off, and that is all.", formula: "foreground = color − glow", trial: "Choose the checker under Ways of looking, and see how thin the steam is." },
  { title: "The sum", a: "sum", b: "color", text: "Put the performer into the hole: one addition. Hair, mesh, glass, steam and motion blur come out right because each pixel was measured and none was guessed.", formula: "sum = foreground + t × background", trial: "Press play. Then go on, and break it." },
  { title: "Break it: no hold-out", a: "sum", b: null, breaks: { double_exposure: true }, text: "Leave the hole out and simply add: a double exposure. The kelp shines through the coat. It is what both pictures on one strip of film would give.", trial: "Point at the coat: the background is added in full, though t is nought." },
  { title: "Break it: gated twice", a: "sum", b: null, breaks: { gated_twice: true }, text: "Multiply the foreground by alpha once more, as one would with a picture that is not premultiplied. Every soft edge turns dark: the hair gets a rim, the steam almost goes out.", trial: "Switch it off and on below while you look at the steam." },
  { title: "Break it: sodium light on the performer", a: "sum", b: null, breaks: { spill }, text: "Let lamps shine on the performer from the left. The band camera cannot tell this light from the screen's, so the coat counts as half transparent: a ghost. No arithmetic brings it back. Flag the lamps.", trial: "Look at Transmission: the shadow has turned gray on one side." },
  { title: "Beside it: a green backing", a: "sum", b: "green", text: "The same performer with the same noise, before a green screen, by the plain color difference that most people know. The green and yellow patches, the mesh, the glass and the steam suffer, since one camera has to find both color and opacity.", trial: "Drag the divider over the coat's green patches." },
];

/**
 * lessonPanel walks over the steps.
 * @param {import("../state.js").PageStore} store
 * @param {import("../player.js").Player} player
 * @param {() => void} openDemo
 * @returns {import("../panels.js").Panel}
 */
export function lessonPanel(store, player, openDemo) {
  const still = matchMedia("(prefers-reduced-motion: reduce)").matches;
  const go = (/** @type {number} */ step) => {
    store.update({ step });
    const { a, b, breaks } = steps[step];
    store.choose({ a, b: b === "green" && !store.value.wells.green ? null : b, breaks: { ...unbroken, ...breaks } }, "lesson");
    if (!still) player.play();
  };
  const change = (/** @type {Partial<Breaks>} */ some) => store.choose({ breaks: { ...store.value.breaks, ...some } });
  return {
    id: "lesson",
    title: "Lesson",
    reads: ["step", "breaks", "demo"],
    draw: (into, { step, breaks, demo }) => {
      const { title, text, formula, trial } = steps[step];
      fill(into,
        el("ol", { className: "steps", "aria-label": "Steps of the lesson" }, steps.map((s, i) => el("li", {}, press(String(i + 1), () => go(i), { title: s.title, "aria-label": `${i + 1}: ${s.title}`, "aria-current": i === step ? "step" : null })))),
        el("h3", {}, title),
        el("div", { className: "lesson-text" }, el("p", {}, text), formula ? el("p", { className: "formula" }, formula) : null, el("p", { className: "try" }, trial)),
        el("div", { className: "row" },
          press("Before", () => go(step - 1), { disabled: step === 0 }),
          press("Next", () => go(step + 1), { className: "main", disabled: step === steps.length - 1 })),
        el("fieldset", { className: "breaks" }, el("legend", {}, "Break it"),
          tick("leave out the hold-out", breaks.double_exposure, (on) => change({ double_exposure: on })),
          tick("gate the foreground twice", breaks.gated_twice, (on) => change({ gated_twice: on })),
          tick("sodium light on the performer", breaks.spill > 0, (on) => change({ spill: on ? spill : 0 }))),
        demo ? null : el("div", { className: "note" }, el("p", {}, "The texts speak of the demo take; the switches work on yours."), press("Open the demo take", openDemo)));
    },
  };
}
