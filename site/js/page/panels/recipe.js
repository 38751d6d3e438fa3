// The panel of the recipe: the settings that most takes leave as they are.
import { choice, download, el, files, fill, onInput, press, tick } from "../../dom.js";
import { messageOf } from "../../errors.js";
import { loadRecipe, savedRecipe } from "../recipe.js";
import { fpsOf, rounded } from "../state.js";

/** @typedef {import("../state.js").Recipe} Recipe */
/** @typedef {import("../state.js").State} State */

const fits = [["fill", "fills it"], ["inside", "lies inside it"], ["stretch", "is stretched"], ["none", "pixel for pixel"]];

/** @type {Record<string, string>} */
const curveTitles = { srgb: "sRGB", bt709: "BT.709", bt1886: "BT.1886", linear: "linear light", hlg: "HLG", pq: "PQ", acescct: "ACEScct" };

/**
 * @param {import("../state.js").PageStore} store
 * @param {import("../engines.js").Engines} engines
 * @returns {import("../panels.js").Panel}
 */
export const recipePanel = (store, engines) => ({
  id: "recipe",
  title: "Recipe",
  reads: ["recipe", "recipeError", "curves", "frames", "ready", "wells"],
  draw: (into, value) => {
    const { recipe, recipeError } = value;
    const change = (/** @type {Recipe} */ some) => store.choose({ recipe: { ...store.value.recipe, ...some } });
    // What a recipe file gives, an estimate for one, stays until another is chosen.
    const way = (/** @type {string} */ field, /** @type {string} */ text, /** @type {string[][]} */ options) => {
      const now = recipe[field] || "auto";
      const given = typeof now !== "string";
      return choice(text, given ? [["given", "as the recipe has it"], ...options] : options, given ? "given" : now, (v) => v !== "given" && change({ [field]: v }));
    };
    const curves = [["", "as the plate says, or sRGB"], ...value.curves.map((name) => [name, curveTitles[name] ?? name])];
    const curve = (/** @type {string} */ field, /** @type {string} */ text) => choice(text, curves, String(recipe[field] ?? ""), (v) => change({ [field]: v || undefined }));
    const limits = recipe.limits ?? {};
    const limit = (/** @type {"floor" | "ceiling"} */ name, /** @type {string} */ text, /** @type {number} */ none) => el("label", {}, text,
      el("input", { type: "number", min: 0, max: 1, step: 0.01, value: limits[name] ?? none, onchange: onInput((v) => change({ limits: { ...limits, [name]: Number(v) } })) }));
    fill(into,
      el("p", {}, "Every setting has a default that is right for most takes. The file is the one that twinplate comp --recipe reads."),
      el("div", { className: "row" }, press("Save the recipe", () => download(savedRecipe(store.value), "take.json")), files("Open a recipe", false, ([first]) => loadRecipe(store, first.file)), press("Defaults", () => store.choose({ recipe: {} }))),
      recipeError ? el("p", { className: "wrong", role: "alert" }, recipeError) : null,
      el("div", { className: "fields" },
        timing(value, change, (color, band) => listen(store, engines, color, band)),
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

/**
 * listen has the offset found from the clips' sound.
 * @param {import("../state.js").PageStore} store
 * @param {import("../engines.js").Engines} engines
 * @param {File} color
 * @param {File} band
 */
async function listen(store, engines, color, band) {
  store.update({ recipeError: "", status: "Listening to both clips" });
  try {
    const { offsetBySound } = await import("../sound.js");
    const offset = await offsetBySound(engines, color, band, fpsOf(store.value));
    store.update({ status: `By sound, the color frame n goes with the band frame n ${offset < 0 ? "−" : "+"} ${Math.abs(offset)}` });
    store.choose({ recipe: { ...store.value.recipe, offset } });
  } catch (error) {
    store.update({ recipeError: messageOf(error) });
  }
}

/**
 * timing are the fields of how the frames lie in time.
 * @param {State} value
 * @param {(some: Recipe) => void} change
 * @param {(color: File, band: File) => void} bySound
 */
function timing(value, change, bySound) {
  const { recipe, wells, ready } = value;
  const clip = (/** @type {string} */ well) => wells[well]?.[0]?.clip;
  const [color, band] = [clip("color"), clip("band")];
  const found = recipe.offset === "auto" ? ready?.recipe.offset : undefined;
  const text = (/** @type {string} */ field, /** @type {string} */ title, /** @type {string} */ placeholder) => el("label", {}, title,
    el("input", { type: "text", value: recipe[field] ?? "", placeholder, onchange: onInput((v) => change({ [field]: v.trim() || undefined })) }));
  const whole = (/** @type {unknown} */ v) => (typeof v === "number" ? String(v) : "");
  return el("fieldset", {}, el("legend", {}, "Timing"),
    el("div", { className: "row" },
      el("label", {}, "Frames per second", el("input", { type: "number", min: 1, max: 1000, step: "any", value: recipe.fps ?? "", placeholder: rounded(fpsOf({ wells, recipe: {} })), onchange: onInput((v) => change({ fps: Number(v) || undefined })) })),
      text("frames", "Frames", "all, or like 12-96")),
    el("div", { className: "row" },
      el("label", {}, "Band frames later than color by", el("input", { type: "number", step: 1, value: whole(recipe.offset ?? found), placeholder: "0", onchange: onInput((v) => change({ offset: v === "" ? undefined : Math.round(Number(v)) })) })),
      press("Find it from motion", () => change({ offset: "auto" }), { disabled: recipe.offset === "auto" }),
      color && band ? press("from sound", () => bySound(color.file, band.file), { "aria-label": "Find it from sound" }) : null),
    found !== undefined ? el("p", { className: "note" }, `From motion: the color frame n goes with the band frame n ${Number(found) < 0 ? "−" : "+"} ${Math.abs(Number(found))}.`) : null,
    el("div", { className: "row" },
      text("timecode_color", "Time code of the color plate", color?.timecode ?? "none"),
      text("timecode_band", "of the band plate", band?.timecode ?? "none"),
      color?.timecode && band?.timecode ? press("Go by the clips' time codes", () => change({ timecode_color: color.timecode, timecode_band: band.timecode, fps: recipe.fps ?? Math.round(color.fps.average), drop: color.timecode?.includes(";") || undefined })) : null));
}
