// What the live page's store holds.
import { Store } from "../store.js";

/** @typedef {import("../page/operations.js").Reading} Reading */
/** @typedef {import("./worker/feed.js").Told} Told */
/** @typedef {import("./worker/feed.js").Split} Split */
/** @typedef {import("./worker/rehearsal.js").Effects} Effects */

/** @typedef {import("../page/operations.js").Bump} Bump */
/**
 * Where the pictures come from, as it is remembered.
 * @typedef {object} Choice
 * @property {"" | "rehearsal" | "camera" | "window"} kind
 * @property {string[]} devices one camera that carries both plates, or the color and the band camera
 * @property {Split} split
 * @property {boolean} swap
 * @property {string} curve of both plates
 * @property {"auto" | "on" | "off"} graphics whether the large picture is made by the graphics processor; auto: where there is one
 */

/** @typedef {{time: number, through: number, values: Record<string, number>, verdicts: Record<string, string>}} Moment the readings at a time, ms since 1970 */

/** @typedef {{time: number, note: string, readings: Reading[], picture: string}} Kept a line of the sheet of the day; picture: a data URL */

/**
 * @typedef {object} State
 * @property {Choice} choice
 * @property {boolean} running
 * @property {string} view
 * @property {string} beside
 * @property {Effects} effects of the rehearsal
 * @property {Record<string, boolean>} have reference plates: "clean", "dark"
 * @property {import("../page/operations.js").Prepared | null} ready
 * @property {string} working what is waited for
 * @property {string} wrong
 * @property {string[]} told what the user should know
 * @property {Told | null} rate
 * @property {Reading[]} readings
 * @property {Reading[]} slow readings that the preparation made
 * @property {number} through the performer, 0 to 1
 * @property {number} sigma its standard error
 * @property {Moment[]} minute
 * @property {Bump | null} bump
 * @property {string} pinned a reading's name, or ""
 * @property {boolean} tone
 * @property {string} note
 * @property {Kept[]} day
 * @property {{frames: number, seconds: number} | null} recording
 * @property {string[]} curves that there are
 * @property {string} status
 * @property {boolean} drawn by the graphics processor
 */

const key = "twinplate-live";

/** @type {Choice} */
const nothing = { kind: "", devices: [], split: "side", swap: false, curve: "bt709", graphics: "auto" };

/** @returns {Choice} */
function remembered() {
  try {
    const found = JSON.parse(localStorage.getItem(key) ?? "{}");
    return { ...nothing, ...found };
  } catch {
    return nothing;
  }
}

export function newStore() {
  const store = new Store(
    /** @type {State} */ ({
      choice: remembered(), running: false, view: "sum", beside: "matte", effects: { spill: 0, lamp: 0, bump: 0, stage: "performer" },
      have: {}, ready: null, working: "Fetching the engine", wrong: "", told: [], rate: null, readings: [], slow: [], through: 0, sigma: 0, minute: [], bump: null,
      pinned: "", tone: false, note: "", day: [], recording: null, curves: ["bt709"], status: "", drawn: false,
    }), []);
  store.subscribe(["choice"], ({ choice }) => {
    try {
      localStorage.setItem(key, JSON.stringify(choice));
    } catch {} // it works without, and asks again
  });
  return store;
}

/** @typedef {ReturnType<typeof newStore>} LiveStore */

export const views = [
  { id: "color", title: "Color" },
  { id: "band", title: "Band" },
  { id: "matte", title: "Matte" },
  { id: "sum", title: "Composite" },
  { id: "trouble", title: "Trouble" },
];
