// What was estimated of a take is estimated again only where it hangs on what has changed.

/** @typedef {import("./state.js").Wells} Wells */
/** @typedef {import("./state.js").Recipe} Recipe */
/** @typedef {import("./operations.js").Prepared} Prepared */

/** @typedef {{wells: Wells, recipe: Recipe, ready: Prepared}} Known a take that was prepared */

// The plates that estimates are from; and a recipe's fields that no estimate hangs on, those that the
// geometry does not hang on, and those that are estimates.
const plates = ["color", "band", "clean_color", "clean_band", "dark_color", "dark_band"];
const after = ["background_curve", "background_primaries", "output_curve", "fit", "limits", "tidy", "clamp", "operator", "regions", "beyond", "gain", "fit_end", "background_start", "background_end", "foreground_grade", "background_grade", "spill"];
const matte = ["crosstalk", "glare", "clean_from", "screen", "screen_color", "pedestal", "color_noise", "band_noise"];
const geometry = ["geometry", "offset", "band_weights", "lateral_color", "match_softness"];

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
  const changed = [...new Set([...Object.keys(before.recipe), ...Object.keys(recipe)])].filter((key) => JSON.stringify(before.recipe[key]) !== JSON.stringify(recipe[key]));
  const all = changed.every((key) => after.includes(key));
  if (!all && !changed.every((key) => after.includes(key) || matte.includes(key))) return none;
  const holds = (/** @type {string} */ key) => geometry.includes(key) || (all && matte.includes(key));
  return { estimates: Object.fromEntries(Object.entries(before.ready.recipe).filter(([key]) => holds(key) && (recipe[key] ?? "auto") === "auto")), all };
}
