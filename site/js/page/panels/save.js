// The panel that takes results away: a frame, a range, a clip, the recipe.
import { el, fill, onInput, press } from "../../dom.js";
import { products } from "../save.js";
import { hasSum, rangeOf } from "../state.js";

/**
 * @param {import("../save.js").Saver} saver
 * @returns {import("../panels.js").Panel}
 */
export const savePanel = (saver) => ({
  id: "away",
  title: "Save",
  reads: ["wells", "ready", "range", "encoders", "saving"],
  draw: (into, value) => {
    const { saving, ready, encoders } = value;
    if (!ready) fill(into, el("p", {}, "There is no take yet: give plates first."));
    else if (saving) fill(into, el("p", {}, saving.text), el("progress", { max: saving.total, value: saving.done, "aria-label": saving.text }), el("div", { className: "row" }, press("Stop", saving.stop)));
    else fill(into, choices(saver, rangeOf(value), hasSum(value), encoders));
  },
});

/**
 * @param {import("../save.js").Saver} saver
 * @param {ReturnType<typeof rangeOf>} range
 * @param {boolean} sum there is one
 * @param {string[] | null} encoders
 */
function choices(saver, range, sum, encoders) {
  const number = (/** @type {"from" | "to"} */ name, /** @type {string} */ text) => el("label", {}, text, el("input", { type: "number", min: range.first, max: range.last, value: range[name], onchange: onInput((value) => saver.choose({ [name]: Number(value) })) }));
  return [
    el("fieldset", {}, el("legend", {}, "This frame, as 16-bit PNG"), el("div", { className: "row" },
      products.map(({ id, title }) => press(title, () => saver.frame(id), { disabled: id === "sum" && !sum }))),
      el("p", { className: "quiet" }, "The cut-out is the foreground with alpha: straight, as PNG has it, or premultiplied, as it was photographed; the file's name says which. sRGB curve; the matte is linear.")),
    el("fieldset", {}, el("legend", {}, "The range"), el("div", { className: "row" }, number("from", "From"), number("to", "to")),
      el("div", { className: "row" },
        press(sum ? "Sums and mattes as ZIP" : "Cut-outs and mattes as ZIP", () => saver.zip()),
        "showDirectoryPicker" in window ? press("Into a folder", () => saver.folder()) : null,
        (encoders ?? []).map((kind) => press(`Sum as ${kind === "mp4" ? "MP4" : "WebM"} clip`, () => saver.clip(kind), { disabled: !sum }))),
      encoders?.length === 0 ? el("p", { className: "note" }, "This browser has no encoder for clips: take the ZIP.") : null),
    el("div", { className: "row" }, press("The recipe", () => saver.recipe())),
  ];
}
