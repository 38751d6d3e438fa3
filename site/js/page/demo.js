// The demo take: fetched with the page, a frame at first, the rest when the engines open it.
import { withoutPlaces } from "./recipe.js";
import { unbroken } from "./state.js";

/** @typedef {import("./state.js").Entry} Entry */
/** @typedef {{name: string, path: string, url: string, file?: Blob}} Fetched */

/** The pixel of the demo take that is shown first: steam. */
export const steam = { x: 610, y: 260 };

/**
 * demoWells returns the demo take's wells and recipe, with as many of its frames, and all that is
 * read once, fetched.
 * @param {number} frames
 */
export async function demoWells(frames) {
  const demo = await fetch("demo/take.json").then((response) => response.json());
  /** @type {(path: string) => Fetched} */
  const one = (path) => ({ name: path.slice(path.lastIndexOf("/") + 1), path, url: new URL(`demo/${path}`, document.baseURI).href });
  /** @type {(folder: string) => Fetched[]} */
  const many = (folder) => demo[folder].map((/** @type {string} */ name) => one(`${folder}/${name}`));
  /** @type {Record<string, Fetched[]>} */
  const wells = { color: many("color"), band: many("band"), background: many("background") };
  for (const well of ["clean_color", "clean_band", "dark_color", "dark_band"]) wells[well] = [one(`${well}.jpg`)];
  const fetched = Object.values(wells).flatMap((entries) => entries.slice(0, frames)).map(async (entry) => {
    const response = await fetch(entry.url);
    if (response.ok) entry.file = await response.blob();
  });
  await Promise.all(fetched);
  return { wells: { ...wells, green: many("green") }, recipe: withoutPlaces(demo.recipe) };
}

/**
 * demoChoice is what opens the demo take.
 * @param {Awaited<ReturnType<typeof demoWells>>} demo
 */
export const demoChoice = (demo) => ({ ...demo, demo: true, breaks: unbroken, a: "sum", b: null });
