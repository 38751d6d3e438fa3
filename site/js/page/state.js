// What the playground's store holds, and what follows from it.
import { Store } from "../store.js";

/**
 * A frame of a plate, or a plate of one frame: bytes that are here, bytes to be fetched, or a frame
 * of a clip.
 * @typedef {object} Entry
 * @property {string} name of the file that the engine sees
 * @property {string} [path] where it lay when it was given
 * @property {Blob} [file]
 * @property {string} [url]
 * @property {import("../files/clips.js").Clip} [clip]
 * @property {number} [index] in the clip
 * @property {string} [from] the clip's name
 * @property {number} [fps] the clip's
 */

/**
 * The plates: well to entries. Wells are those of sort.js, and "green" for the demo's comparison.
 * @typedef {Record<string, Entry[]>} Wells
 */

/**
 * A recipe without its files: what the page sets of it, and whatever else there is. See
 * take.Recipe.
 * @typedef {Record<string, unknown> & {fit?: {mode?: string}, limits?: {floor?: number, ceiling?: number}, tidy?: boolean}} Recipe
 */

/**
 * The lesson's ways to spoil a frame.
 * @typedef {{double_exposure: boolean, gated_twice: boolean, spill: number}} Breaks
 */

/**
 * Ways of looking.
 * @typedef {{exposure: number, channel: string, under: string, color: string, clip: boolean}} Looks
 */

/**
 * @typedef {object} Choice what can be undone
 * @property {Wells} wells
 * @property {Recipe} recipe
 * @property {boolean} demo the wells are the demo's
 * @property {Breaks} breaks
 * @property {string} a the station that is looked at
 * @property {string | null} b and the one beside it
 * @property {Looks} look
 */

/**
 * @typedef {object} Rest what cannot
 * @property {number} version of the recipes that the engine writes
 * @property {number} engines how many work on the take
 * @property {string[]} curves the names of transfer curves
 * @property {number[]} frames of the take
 * @property {import("./operations.js").Prepared | null} ready the take, once it can be worked with
 * @property {number} frame that is looked at
 * @property {boolean} playing
 * @property {boolean} loop
 * @property {boolean} sound
 * @property {string} rate at which it plays, in words
 * @property {{a: string, b: string | null, draft: boolean} | null} shown the pictures that are shown
 * @property {import("./take.js").Thumb[]} thumbs of the frame
 * @property {import("./operations.js").Arithmetic | null} pixel
 * @property {Map<number, string>} failed frames that could not be made, and why
 * @property {string} tab
 * @property {number} step of the lesson
 * @property {Record<number, string>} answers that were given first, by step
 * @property {Record<string, string>} errors by well, or "general"
 * @property {import("./operations.js").Readings | null} readings
 * @property {string} readError
 * @property {{seconds: number, stop: () => void} | null} reading under way
 * @property {string} recipeError
 * @property {{from: number, to: number} | null} range that is saved; null is all
 * @property {string[] | null} encoders containers of clips that can be written; null before that is known
 * @property {{text: string, total: number, done: number, stop: () => void} | null} saving under way
 * @property {import("./kept.js").Kept[]} kept takes on this machine
 * @property {{recipe: Recipe, found: import("./operations.js").Prepared | null} | null} again the take that is opened was kept: its recipe, and what was estimated of it with that; null once that is known
 * @property {boolean} keeping the take is being kept
 * @property {string} keptWord why the take is not kept as a whole
 * @property {string} saveError why the last was not done
 * @property {{text: string, part?: number, stop?: () => void} | null} busy what is waited for, and how much of it is done, 0 to 1
 * @property {string} empty why there is no picture; "" where there is one
 * @property {string[]} lacks what this browser lacks, and what works instead
 * @property {string} status the last word
 */

/** @typedef {Choice & Rest} State */

/** @type {Breaks} */
export const unbroken = { double_exposure: false, gated_twice: false, spill: 0 };

/** @type {readonly (keyof Choice)[]} */
export const chosen = ["wells", "recipe", "demo", "breaks", "a", "b", "look"];

export const newStore = () => new Store(
  /** @type {State} */ ({
    wells: {}, recipe: {}, demo: false, breaks: unbroken, a: "sum", b: null,
    look: { exposure: 0, channel: "rgb", under: "auto", color: "#4a6b5d", clip: false },
    version: 0, engines: 1, curves: [], frames: [], ready: null, frame: 0, playing: false, loop: true, sound: true, rate: "", shown: null, thumbs: [], pixel: null, failed: new Map(),
    tab: "lesson", step: 0, answers: {}, errors: {}, readings: null, readError: "", reading: null, recipeError: "",
    range: null, encoders: null, saving: null, saveError: "", kept: [], again: null, keeping: false, keptWord: "", busy: null, empty: "", lacks: [], status: "",
  }), chosen);

/** @typedef {ReturnType<typeof newStore>} PageStore */

/** @type {Record<string, string>} */
const without = { sum: "foreground", held: "transmission", background: "foreground", green: "foreground" };

/**
 * sides returns the stations that are looked at. Without a background, what needs one has another
 * station in its place: there is always a picture.
 * @param {Pick<State, "a" | "b" | "wells">} value
 */
export const sides = ({ a, b, wells }) => (b ? [a, b] : [a]).map((id) => (!hasSum({ wells }) && without[id]) || id);

/**
 * groundOf returns what is shown under the foreground, as the viewer names it.
 * @param {Pick<State, "look" | "wells">} value
 */
export const groundOf = ({ look, wells }) => (look.under !== "auto" ? look.under : hasSum({ wells }) ? "black" : "checker");

/**
 * fpsOf returns frames per second: the recipe's, or else the color plate's, where it is a clip.
 * @param {Pick<State, "wells" | "recipe">} value
 */
export const fpsOf = ({ wells, recipe }) => Number(recipe.fps) || rateOf(wells.color) || 24;

/**
 * nameOf names the take by its color plate: the clip, or the folder that the frames are in.
 * @param {Pick<State, "wells" | "demo">} value
 */
export function nameOf({ wells, demo }) {
  const first = wells.color?.[0];
  if (demo || !first) return "pier";
  const parts = (first.from ?? first.path ?? first.name).split("/");
  const stem = (/** @type {string} */ name) => name.replace(/\.[^.]*$/, "").replace(/[-_. ]*\d*$/, "") || name.replace(/\.[^.]*$/, "");
  if (first.from) return first.from.replace(/\.[^.]*$/, "");
  const folder = parts.at(-2);
  return (folder && !/^(colou?r|rgb|main|plates?)$/i.test(folder) ? folder : parts.at(-3)) || stem(parts[parts.length - 1]);
}

/** @param {Wells[string] | undefined} entries */
const rateOf = (entries) => entries?.[0]?.fps;

/**
 * gravesOf returns why the result is likely wrong, in sentences that say what to do.
 * @param {Pick<State, "ready" | "wells" | "recipe">} value
 */
export function gravesOf({ ready, wells }) {
  const [color, band] = [rateOf(wells.color), rateOf(wells.band)];
  const apart = color && band && Math.abs(color / band - 1) > 2e-3; // what times in whole milliseconds make of a short clip
  return [
    ...(apart ? [`The color clip has ${rounded(color)} frames per second and the band clip ${rounded(band)}: the n-th frames are not of one moment. Give clips of one rate.`] : []),
    ...(ready?.grave ?? []),
  ];
}

/** @param {number} rate */
export const rounded = (rate) => String(Number(rate.toFixed(3)));

/**
 * hasSum reports whether the take has a background.
 * @param {Pick<State, "wells">} value
 */
export const hasSum = ({ wells }) => !!wells.background?.length;

/**
 * rangeOf returns the frames that are saved, of first to last.
 * @param {Pick<State, "frames" | "range">} value
 */
export function rangeOf({ frames, range }) {
  const [first, last] = [frames[0], frames[frames.length - 1]];
  return { first, last, from: range?.from ?? first, to: range?.to ?? last };
}

/**
 * marksOf returns the frames that the readings warn of.
 * @param {Pick<State, "readings">} value
 * @returns {Map<number, {word: string, text: string}>}
 */
export function marksOf({ readings }) {
  const off = (readings?.gains ?? []).filter(({ gain }) => Math.abs(gain - 1) > 0.1); // a tenth of the light shows in a picture
  return new Map(off.map(({ frame, gain }) => [frame, { word: gain < 1 ? "lamps dim" : "lamps bright", text: `${gain.toFixed(2)} of the clean plate` }]));
}
