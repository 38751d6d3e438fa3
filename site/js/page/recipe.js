// Recipes: the file that the command reads, in and out.
import { messageOf } from "../errors.js";
import { finishedBy } from "./estimates.js";
import { pathsOf, wells } from "./sort.js";

/** @typedef {import("./state.js").PageStore} PageStore */
/** @typedef {import("./state.js").Recipe} Recipe */

// What a recipe has that is the page's own matter: where the plates lie, and what is written.
const own = [...wells.map(({ id }) => id), "version", "write", "format", "depth"];

/**
 * withoutPlaces returns a recipe's settings alone.
 * @param {Record<string, unknown>} recipe
 * @returns {Recipe}
 */
export const withoutPlaces = (recipe) => Object.fromEntries(Object.entries(recipe).filter(([key]) => !own.includes(key)));

/**
 * readRecipe returns the settings of a recipe file.
 * @param {File} file
 */
export async function readRecipe(file) {
  return withoutPlaces(JSON.parse(await file.text()));
}

/**
 * loadRecipe makes a recipe file's settings the take's.
 * @param {PageStore} store
 * @param {File} file
 */
export async function loadRecipe(store, file) {
  store.update({ recipeError: "" });
  try {
    const recipe = JSON.parse(await file.text());
    if (typeof recipe !== "object" || !recipe.version) throw new Error("it has no version: a recipe is what Save the recipe or twinplate comp --save-recipe writes");
    store.choose({ recipe: withoutPlaces(recipe) });
  } catch (error) {
    store.update({ recipeError: `${file.name}: ${messageOf(error)}` });
  }
}

/**
 * savedRecipe is the recipe as the command reads it: with every estimate, and the plates where they
 * lay.
 * @param {import("./state.js").State} value
 */
export function savedRecipe({ ready, version, recipe, wells }) {
  const whole = { ...(ready && !ready.draft ? finishedBy(ready.recipe, recipe) : { version, ...recipe }), ...pathsOf(wells) };
  return new Blob([JSON.stringify(whole, null, 2) + "\n"], { type: "application/json" });
}
