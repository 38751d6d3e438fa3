// The panel of the recipe: the settings that most takes leave as they are.
import { choice, download, el, files, fill, onInput, press, tick } from "../../dom.js";
import { loadRecipe, savedRecipe } from "../recipe.js";

/** @typedef {import("../state.js").Recipe} Recipe */

const curves = [["srgb", "sRGB"], ["bt709", "BT.709"], ["bt1886", "BT.1886"], ["linear", "linear light"], ["hlg", "HLG"], ["pq", "PQ"], ["acescct", "ACEScct"]];
const fits = [["fill", "fills it"], ["inside", "lies inside it"], ["stretch", "is stretched"], ["none", "pixel for pixel"]];

/**
 * @param {import("../state.js").PageStore} store
 * @returns {import("../panels.js").Panel}
 */
export const recipePanel = (store) => ({
  id: "recipe",
  title: "Recipe",
  reads: ["recipe", "recipeError"],
  draw: (into, { recipe, recipeError }) => {
    const change = (/** @type {Recipe} */ some) => store.choose({ recipe: { ...store.value.recipe, ...some } });
    // What a recipe file gives, an estimate for one, stays until another is chosen.
    const way = (/** @type {string} */ field, /** @type {string} */ text, /** @type {string[][]} */ options) => {
      const value = recipe[field] || "auto";
      const given = typeof value !== "string";
      return choice(text, given ? [["given", "as the recipe has it"], ...options] : options, given ? "given" : value, (v) => v !== "given" && change({ [field]: v }));
    };
    const curve = (/** @type {string} */ field, /** @type {string} */ text) => choice(text, curves, String(recipe[field] ?? "srgb"), (value) => change({ [field]: value }));
    const limits = recipe.limits ?? {};
    const limit = (/** @type {"floor" | "ceiling"} */ name, /** @type {string} */ text, /** @type {number} */ none) => el("label", {}, text,
      el("input", { type: "number", min: 0, max: 1, step: 0.01, value: limits[name] ?? none, onchange: onInput((value) => change({ limits: { ...limits, [name]: Number(value) } })) }));
    fill(into,
      el("p", {}, "Every setting has a default that is right for most takes. The file is the one that twinplate comp --recipe reads."),
      el("div", { className: "row" }, press("Save the recipe", () => download(savedRecipe(store), "take.json")), files("Open a recipe", false, ([first]) => loadRecipe(store, first.file)), press("Defaults", () => store.choose({ recipe: {} }))),
      recipeError ? el("p", { className: "wrong", role: "alert" }, recipeError) : null,
      el("div", { className: "fields" },
        way("geometry", "Geometry between the cameras", [["auto", "from the footage"], ["none", "none: the plates fit as they are"]]),
        way("crosstalk", "Set light in the band plate", [["auto", "measured and taken off"], ["none", "none"]]),
        way("gain", "Lamps", [["auto", "each frame measured"], ["none", "steady"]]),
        curve("color_curve", "Curve of the color plate"),
        curve("band_curve", "Curve of the band plate"),
        curve("background_curve", "Curve of the background"),
        choice("Background in the frame", fits, recipe.fit?.mode ?? "fill", (mode) => change({ fit: { ...recipe.fit, mode } })),
        tick("take noise out of the open screen and the core", !!recipe.tidy, (on) => change({ tidy: on || undefined })),
        el("fieldset", {}, el("legend", {}, "Limits of the transmission (0 and 1: none)"), el("div", { className: "row" }, limit("floor", "Floor", 0), limit("ceiling", "Ceiling", 1)))));
  },
});
