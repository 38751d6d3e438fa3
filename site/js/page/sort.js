// Tells the plates of one drop apart: by folder and file name first; what these do not settle is asked,
// with what the pictures look like as a guess.

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
  { id: "flat_band", title: "Flat band frames", text: "pairs of an evenly lit surface, from which the camera's noise is measured" },
  { id: "flat_color", title: "Flat color frames", text: "the same in the color camera" },
];

/** @param {string} id */
export const titleOfWell = (id) => wells.find((w) => w.id === id)?.title ?? id;

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
  if (/(^|[^a-z])flats?([^a-z]|$)/.test(text)) return band ? "flat_band" : color ? "flat_color" : null;
  if (dark) return band ? "dark_band" : color ? "dark_color" : null;
  if (clean) return band ? "clean_band" : color ? "clean_color" : null;
  if (/(^|[^a-z])(background|backing|bg|behind)([^a-z]|$)/.test(text)) return "background";
  if (band !== color) return band ? "band" : "color";
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

/** @typedef {{entries: Dropped[], look?: import("./operations.js").Description}} Group a sequence or a clip, and what its middle looks like where that could be read */

/**
 * guess returns a well for each group, "" for none, and none twice: what its name says, else what it
 * looks like. The screen shines in the band plate, which has no color or one alone, and is black in the
 * color plate.
 * @param {Group[]} groups
 * @returns {string[]}
 */
export function guess(groups) {
  /** @type {(string | null)[]} */
  const named = groups.map(({ entries }) => byName(entries[0].path));
  const out = named.map((well, i) => (well && named.indexOf(well) === i ? well : ""));
  const open = (/** @type {Group} */ group) => !out[groups.indexOf(group)];
  const put = (/** @type {string} */ well, /** @type {Group | undefined} */ group) => {
    if (group && !out.includes(well)) out[groups.indexOf(group)] = well;
  };
  const seen = /** @type {(Group & {look: import("./operations.js").Description})[]} */ (groups.filter((group) => group.look && open(group)));
  const light = (/** @type {typeof seen[number]} */ { look }) => Math.max(...look.mean);
  const gray = (/** @type {typeof seen[number]} */ { look }) => !look.color || look.yellow > 0.25 || look.chroma < 0.05;
  const dim = seen.filter((group) => light(group) < 0.01 && group.look.dark < 0.5);
  const rest = seen.filter((group) => !dim.includes(group)).sort((one, other) => light(other) - light(one));
  // Longer ones first: a clean plate is one frame, or a few.
  const long = rest.toSorted((one, other) => other.entries.length - one.entries.length);
  put("band", long.find((group) => gray(group) && group.look.dark > 0.02));
  put("clean_band", rest.find((group) => open(group) && gray(group)));
  put("color", long.find((group) => open(group) && !gray(group) && group.look.dark > 0.3));
  for (const group of dim) put(gray(group) ? "dark_band" : "dark_color", group);
  // Of two that are left, the brighter one is the band plate.
  const left = rest.filter(open);
  if (!out.includes("color")) put("color", left.length > 1 || out.includes("band") ? left.at(-1) : undefined);
  if (!out.includes("band")) put("band", left.find(open));
  put("background", rest.find((group) => open(group) && !gray(group)));
  return out;
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
