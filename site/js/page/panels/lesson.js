// The lesson: a walk over the stations of the job. Each step asks what will be seen before it tells; some
// break the job, and have it repaired. What was right at once is counted, for nobody else to see.
import { choice, el, fill, press, tick } from "../../dom.js";
import { unbroken } from "../state.js";

/** @typedef {import("../state.js").Breaks} Breaks */

/**
 * @typedef {object} Step
 * @property {string} title
 * @property {string} a the station that is looked at
 * @property {string | null} b and the one beside it
 * @property {Partial<Breaks>} [breaks] what is broken once the question is answered
 * @property {string} [before] what is said before the question
 * @property {string} ask
 * @property {string[]} answers the first is right
 * @property {string} text
 * @property {string} [formula]
 * @property {string} trial
 */

const spill = 0.35; // of the screen's light, at the frame's left edge: the ghost is plain, and the coat still there

/** @type {Step[]} */
const steps = [
  { title: "The color plate", a: "color", b: null, before: "A ferry hand coils a wet rope on a pier at night, before a screen lit by sodium lamps. This camera sees every color except their one yellow line.", ask: "How does the bright screen look to it?", answers: ["black", "yellow", "gray"], text: "The screen's light is taken out by a filter, so what you see is the performer alone, over black: hair, net and steam are already mixed with it as the lens saw them.", trial: "Raise the exposure by four stops under Ways of looking: the faint glow where the screen is, is what the filter lets through. It is called K, and is taken off later." },
  { title: "The band plate", a: "band", b: "color", before: "The second camera looks through the same beam splitter and sees only the line, 589 nanometers.", ask: "How does the yellow coat look to it?", answers: ["dark", "bright, for it is yellow"], text: "The screen shines, and the performer is a shadow. The coat reflects many wavelengths, and hardly any light of this one falls on it. A little of the set's light gets through all the same: m says how much of its red, green and blue, and it is taken off.", trial: "Drag the divider over the net: both cameras see the same threads." },
  { title: "Transmission", a: "transmission", b: "band", before: "Divide the band plate by the empty screen, pixel by pixel.", ask: "What comes out in the steam, through which some of the screen is seen?", answers: ["a number between zero and one", "zero", "one"], text: "One means that the screen is fully visible; zero, that the performer hides it; in between lie hair, steam, glass and the swinging lantern. Nobody drew this matte.", formula: "t = (band − m · color) ÷ screen", trial: "Point at the steam: At this pixel shows the division, and how sure the number is." },
  { title: "The background, held out", a: "held", b: "background", before: "Multiply the new background by the transmission.", ask: "What is left of it where the performer will stand?", answers: ["a dark hole with soft edges", "all of it", "a hard-edged hole"], text: "Exactly as much of the background is left as can be seen past the performer.", formula: "held out = t × background", trial: "Point at the glass float: the hole is not quite dark, since you can look through glass." },
  { title: "The foreground", a: "foreground", b: "sum", ask: "The color plate shows the performer over black. What must be cut away from it?", answers: ["nothing but the screen's faint glow", "everything outside the matte"], text: "Over black, the color plate is already the performer times their own opacity. The glow K is taken off where the screen is seen, and that is all.", formula: "foreground = color − t × K", trial: "Choose the checkerboard under Ways of looking, and see how thin the steam is." },
  { title: "The composite", a: "sum", b: "color", before: "There is a background with a hole, and a performer over black.", ask: "What joins them?", answers: ["one addition", "a blend by alpha"], text: "Hair, mesh, glass, steam and motion blur come out right, because each pixel was measured and none was guessed.", formula: "composite = foreground + t × background", trial: "Press play. Then go on, and break it." },
  { title: "Break it: no hold-out", a: "sum", b: null, breaks: { double_exposure: true }, before: "Now the hole is left out, and both are simply added.", ask: "What will the coat look like?", answers: ["the kelp shines through it", "it turns black", "as before"], text: "A double exposure: what both pictures on one strip of film would give.", trial: "Point at the coat: the background is added in full, though t is zero. Then repair it." },
  { title: "Break it: multiplied by alpha twice", a: "sum", b: null, breaks: { gated_twice: true }, before: "Now the foreground is multiplied by alpha once more, as one would with a picture that is not premultiplied.", ask: "Where will it show?", answers: ["soft edges and steam turn dark", "in the solid coat", "nowhere"], text: "In the solid parts alpha is one, and nothing changes. Where it is a half, light that was there by half is halved again: hair gets a dark rim, and the steam almost goes out.", trial: "Point at the steam, and repair it: the foreground's numbers come back." },
  { title: "Break it: sodium light on the performer", a: "sum", b: null, breaks: { spill }, before: "Now lamps shine on the performer from the left. The band camera cannot tell this light from the screen's.", ask: "What becomes of the coat?", answers: ["it counts as half transparent", "it turns yellow", "nothing"], text: "A ghost: the light adds to the band plate, so the transmission is too high. No arithmetic brings the coat back: what spill costs is paid on the set. Flag the lamps.", trial: "Look at Transmission: the shadow has turned gray on one side. Then repair it." },
  { title: "Beside it: a green backing", a: "sum", b: "green", before: "The same performer with the same noise, before a green screen, by the plain color difference that most people know.", ask: "Which parts suffer?", answers: ["the green patches, mesh, glass and steam", "the red hat", "none"], text: "There one camera has to find both color and opacity, and green light that belongs to the coat looks like the backing's.", trial: "Drag the divider over the coat's green patches." },
  { title: "Check: why no alpha?", a: "foreground", b: null, ask: "Why is the foreground not multiplied by alpha?", answers: ["over a black screen it was photographed so already", "alpha is too noisy", "the background is multiplied instead"], text: "A black screen adds nothing: light from a half-covered pixel comes in by half. That is what premultiplied means.", trial: "Say it in your own words before you go on." },
  { title: "Check: m and K", a: "transmission", b: null, ask: "What do m and K take off?", answers: ["set light in the band plate, and screen light in the color plate", "noise, and lens blur", "spill, and flicker"], text: "Two leaks, one each way. Both are measured from the plates, so the division and the foreground are of clean light.", trial: "Readings says how large they are." },
  { title: "Check: the price of spill", a: "sum", b: null, ask: "Sodium light falls on the performer. What can be done afterwards?", answers: ["little: it must be kept off on the set", "m takes it off", "K takes it off"], text: "It is of the same wavelength as the screen, so nothing tells them apart. Distance and flags do.", trial: "That is the whole job. Drop your own plates, or plan a shoot." },
];

/**
 * shuffled returns the answers in an order of the step's own: the right one is not always the first.
 * @param {Step} step
 * @param {number} i
 */
const shuffled = ({ answers }, i) => answers.map((_, k) => answers[(k + i) % answers.length]);

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
    const answered = store.value.answers[step] !== undefined;
    const { a, b, breaks } = steps[step];
    store.update({ step });
    store.choose({ a, b: b === "green" && !store.value.wells.green ? null : b, breaks: { ...unbroken, ...(answered ? breaks : {}) } }, "lesson");
    if (!still) player.play();
  };
  const change = (/** @type {Partial<Breaks>} */ some) => store.choose({ breaks: { ...store.value.breaks, ...some } });
  const answer = (/** @type {number} */ i, /** @type {string} */ text) => {
    store.update({ answers: { ...store.value.answers, [i]: text } });
    if (steps[i].breaks) change(steps[i].breaks);
  };
  return {
    id: "lesson",
    title: "Lesson",
    reads: ["step", "breaks", "demo", "answers"],
    draw: (into, { step, breaks, demo, answers }) => {
      const { title, before, ask, text, formula, trial, breaks: broken } = steps[step];
      const given = answers[step];
      const right = steps.filter((s, i) => answers[i] === s.answers[0]).length;
      const asked = Object.keys(answers).length;
      const said = given === undefined ? null : given === steps[step].answers[0] ? "Right." : `Not quite: ${steps[step].answers[0]}.`;
      const repaired = broken && given !== undefined && !Object.entries(broken).some(([key]) => breaks[/** @type {keyof Breaks} */ (key)]);
      fill(into,
        el("div", { className: "row steps" },
          press("Back", () => go(step - 1), { disabled: step === 0 }),
          choice("", steps.map((s, i) => [String(i), `${i + 1}: ${s.title}`]), String(step), (v) => go(Number(v))),
          press("Next", () => go(step + 1), { className: "main", disabled: step === steps.length - 1 })),
        el("h3", {}, title),
        el("div", { className: "lesson-text" },
          before && given === undefined ? el("p", {}, before) : null,
          el("p", {}, el("strong", {}, ask)),
          given === undefined
            ? el("div", { className: "row" }, shuffled(steps[step], step).map((one) => press(one, () => answer(step, one))))
            : [el("p", { role: "status" }, el("strong", {}, said), ` ${text}`), formula ? el("p", { className: "formula" }, formula) : null, el("p", { className: "try" }, trial),
              broken ? el("div", { className: "row" }, repaired ? press("Break it again", () => change(broken)) : press("Repair it", () => store.choose({ breaks: unbroken }))) : null]),
        el("fieldset", { className: "breaks" }, el("legend", {}, "Break it"),
          tick("leave out the hold-out", breaks.double_exposure, (on) => change({ double_exposure: on })),
          tick("multiply the foreground by alpha twice", breaks.gated_twice, (on) => change({ gated_twice: on })),
          tick("sodium light on the performer", breaks.spill > 0, (on) => change({ spill: on ? spill : 0 }))),
        asked ? el("p", { className: "quiet" }, `${right} of ${asked} right at once. Nobody else sees this.`) : null,
        demo ? null : el("div", { className: "note" }, el("p", {}, "The texts speak of the demo take; the switches work on yours."), press("Open the demo take", openDemo)));
      into.querySelector(".steps select")?.setAttribute("aria-label", "Step of the lesson");
    },
  };
}
