// Tells the plates of one drop apart: by folder and file name first, then by what the pictures are;
// what neither settles is asked.

/** @typedef {{path: string, file: File}} Dropped a file that was given, and where it lay */
/** @typedef {Map<string, Dropped[]>} Sorted by well */

export const wells = [
  { id: "color", title: "Color plate", needed: true, text: "everything but the yellow line" },
  { id: "band", title: "Band plate", needed: true, text: "only the yellow line" },
  { id: "background", title: "Background", text: "what goes behind the performer: a still, frames or a clip" },
  { id: "clean_band", title: "Clean band plate", text: "the lit screen with nobody there" },
  { id: "clean_color", title: "Clean color plate", text: "the same moment in the color camera" },
  { id: "dark_band", title: "Dark band plate", text: "lamps off or lens capped" },
  { id: "dark_color", title: "Dark color plate", text: "the same in the color camera" },
];

// What the browser and this page open themselves. The engine says which pictures it reads.
export const clipExtensions = [".mp4", ".m4v", ".mov", ".webm", ".mkv"];
const archiveExtensions = [".zip"];
const recipeExtensions = [".json"];

/**
 * is reports whether a file's name ends so.
 * @param {string} name
 * @param {string[]} extensions
 */
export const is = (name, extensions) => extensions.includes(/\.[^./]*$/.exec(name.toLowerCase())?.[0] ?? "");

export const isClip = (/** @type {string} */ name) => is(name, clipExtensions);
export const isArchive = (/** @type {string} */ name) => is(name, archiveExtensions);
export const isRecipe = (/** @type {string} */ name) => is(name, recipeExtensions);

/**
 * byName returns the well that a path names, or null.
 * @param {string} path
 */
export function byName(path) {
  const text = path.toLowerCase();
  const band = /(^|[^a-z])(band|line|sodium|589|na[-_ ]?d?)([^a-z]|$)/.test(text);
  const clean = /(^|[^a-z])(clean|empty|blank)([^a-z]|$)/.test(text);
  const dark = /(^|[^a-z])(dark|black|cap(ped)?)([^a-z]|$)/.test(text);
  const color = /(^|[^a-z])(colou?r|rgb|main)([^a-z]|$)/.test(text);
  if (dark) return band ? "dark_band" : color ? "dark_color" : null;
  if (clean) return band ? "clean_band" : color ? "clean_color" : null;
  if (/(^|[^a-z])(background|backing|bg|behind)([^a-z]|$)/.test(text)) return "background";
  if (band !== color) return band ? "band" : "color";
  return null;
}

/**
 * byLook returns the well that a picture's look speaks for, or null where it does not speak
 * clearly.
 * @param {import("./operations.js").Description} look
 */
export function byLook(look) {
  const light = Math.max(...look.mean);
  const gray = !look.color || look.yellow > 0.25;
  if (light < 0.01) return look.color && !gray ? "dark_color" : "dark_band";
  if (gray) return look.dark > 0.02 ? "band" : "clean_band";
  if (look.dark > 0.3) return "color";
  return null;
}

const byNumber = new Intl.Collator("en", { numeric: true });

/**
 * group gathers dropped pictures into sequences: those whose names differ in digits alone, in one
 * folder, in order.
 * @param {Dropped[]} dropped
 */
export function group(dropped) {
  /** @type {Map<string, Dropped[]>} */
  const groups = new Map();
  for (const entry of dropped) {
    const key = isClip(entry.path) ? entry.path : entry.path.replace(/\d+(?=[^\d/]*$)/, "#");
    const others = groups.get(key);
    if (others) others.push(entry);
    else groups.set(key, [entry]);
  }
  return [...groups.values()].map((entries) => entries.sort((a, b) => byNumber.compare(a.path, b.path)));
}

/**
 * sort returns {placed: Map of well to entries, unsure: [entries]}. Look reads a picture: it may be
 * slow.
 * @param {Dropped[]} dropped
 * @param {(entry: Dropped) => Promise<import("./operations.js").Description>} look
 */
export async function sort(dropped, look) {
  /** @type {Sorted} */
  const placed = new Map();
  /** @type {Dropped[][]} */
  const unsure = [];
  for (const entries of group(dropped)) {
    const path = entries[0].path;
    let well = byName(path);
    if (!well && !isClip(path)) {
      try {
        well = byLook(await look(entries[Math.floor(entries.length / 2)]));
      } catch {
        well = null;
      }
    }
    if (well && !placed.has(well)) placed.set(well, entries);
    else unsure.push(entries);
  }
  // One sequence left over, and a color plate there: it is the background.
  if (unsure.length === 1 && placed.has("color") && placed.has("band") && !placed.has("background")) placed.set("background", /** @type {Dropped[]} */ (unsure.pop()));
  return { placed, unsure };
}

/**
 * pathsOf names the wells' plates as a recipe does, where they lay when they were given: a file, a
 * folder, or a glob where the folder holds other plates too. It is as seen from the folder that
 * they all lie in. A clip's frames have no place of their own: the recipe has them in a folder of
 * the well's name.
 * @param {import("./state.js").Wells} wells
 */
export function pathsOf(wells) {
  const given = Object.entries(wells).filter(([well, entries]) => entries?.length && well !== "green");
  const folder = (/** @type {string} */ path) => path.slice(0, path.lastIndexOf("/") + 1);
  const paths = given.flatMap(([, entries]) => entries.flatMap((e) => e.path || []));
  const tops = new Set(paths.map((path) => path.slice(0, path.indexOf("/") + 1)));
  const cut = tops.size === 1 ? [...tops][0].length : 0;
  const place = (/** @type {string} */ well, /** @type {import("./state.js").Entry[]} */ entries) => {
    const [first, last] = [entries[0].path, entries[entries.length - 1].path];
    if (!first || !last) return well;
    if (entries.length === 1) return first.slice(cut);
    const here = folder(first);
    const alone = here.length > cut && paths.filter((path) => path.startsWith(here)).length === entries.length;
    if (alone) return here.slice(cut, -1);
    let n = here.length;
    while (n < first.length && first[n] === last[n] && !/\d/.test(first[n])) n++;
    return `${first.slice(cut, n)}*${first.slice(first.lastIndexOf("."))}`;
  };
  return Object.fromEntries(given.map(([well, entries]) => [well, place(well, entries)]));
}
