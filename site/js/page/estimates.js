// What was estimated of a take is estimated again only where it hangs on what has changed.

/** @typedef {import("./state.js").Wells} Wells */
/** @typedef {import("./state.js").Recipe} Recipe */
/** @typedef {import("./operations.js").Prepared} Prepared */

/** @typedef {{wells: Wells, recipe: Recipe, ready: Prepared, planes?: import("./take.js").Take["planes"]}} Known a take that was prepared; planes: what was found of it beside its recipe */

// The plates that estimates are from; and a recipe's fields that no estimate hangs on, those that the
// geometry does not hang on, and those that are estimates.
const plates = ["color", "band", "clean_color", "clean_band", "dark_color", "dark_band"];
const finishing = ["limits", "regions", "spill", "beyond", "foreground_grade", "background_grade", "operator", "fit", "fit_end", "background_start", "background_end"]; // as take.Job.Finish takes them
const after = [...finishing, "background_curve", "background_primaries", "output_curve", "tidy", "clamp", "gain"];
const matte = ["crosstalk", "glare", "clean_from", "screen", "screen_color", "pedestal", "color_noise", "band_noise"];
const geometry = ["geometry", "offset", "band_weights", "lateral_color", "match_softness"];

/**
 * finishOf returns a recipe's finish: what is done to a frame that is solved, and to its background.
 * @param {Recipe} recipe
 * @returns {Recipe}
 */
export const finishOf = (recipe) => Object.fromEntries(finishing.filter((key) => recipe[key] !== undefined).map((key) => [key, recipe[key]]));

/**
 * finishedBy returns a recipe with the finish of another.
 * @param {Record<string, unknown>} recipe
 * @param {Recipe} other
 */
export const finishedBy = (recipe, other) => ({ ...Object.fromEntries(Object.entries(recipe).filter(([key]) => !finishing.includes(key))), ...finishOf(other) });

/**
 * finishAlone reports whether nothing but the finish has changed.
 * @param {Recipe} before
 * @param {Recipe} recipe
 */
export const finishAlone = (before, recipe) => changedIn(before, recipe).every((key) => finishing.includes(key));

/**
 * @param {Recipe} before
 * @param {Recipe} recipe
 */
const changedIn = (before, recipe) => [...new Set([...Object.keys(before), ...Object.keys(recipe)])].filter((key) => JSON.stringify(before[key]) !== JSON.stringify(recipe[key]));

/**
 * known returns the estimates that still hold, and whether they are all that there are.
 * @param {Known | null} before
 * @param {Wells} wells
 * @param {Recipe} recipe
 * @returns {{estimates: Record<string, unknown>, all: boolean}}
 */
export function known(before, wells, recipe) {
  const none = { estimates: {}, all: false };
  if (!before || plates.some((well) => before.wells[well] !== wells[well])) return none;
  const changed = changedIn(before.recipe, recipe);
  const all = changed.every((key) => after.includes(key));
  if (!all && !changed.every((key) => after.includes(key) || matte.includes(key))) return none;
  const holds = (/** @type {string} */ key) => geometry.includes(key) || (all && matte.includes(key));
  return { estimates: Object.fromEntries(Object.entries(before.ready.recipe).filter(([key]) => holds(key) && (recipe[key] ?? "auto") === "auto")), all };
}
