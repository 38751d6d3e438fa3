// The panel that takes results away: a frame, a range, a clip, the recipe.
import { choice, el, fill, onInput, press } from "../../dom.js";
import { clips, products, qualities } from "../save.js";
import { hasSum, rangeOf } from "../state.js";

/**
 * @param {import("../save.js").Saver} saver
 * @returns {import("../panels.js").Panel}
 */
export const savePanel = (saver) => {
  const clip = { id: "", container: "", quality: qualities[0][0] }; // as they were chosen last
  return {
    id: "away",
    title: "Save",
    reads: ["wells", "ready", "range", "encoders", "saving", "saveError"],
    draw: (into, value) => {
      const { saving, ready, encoders, saveError } = value;
      const wrong = saveError ? el("p", { className: "wrong", role: "alert" }, saveError) : null;
      if (!ready || ready.draft) fill(into, el("p", {}, ready ? "The full geometry is being made: a draft is not saved." : "There is no take yet: give plates first."));
      else if (saving) fill(into, el("p", {}, saving.text), el("progress", { max: saving.total, value: saving.done, "aria-label": saving.text }), el("div", { className: "row" }, press("Stop", saving.stop)));
      else fill(into, wrong, choices(saver, rangeOf(value), hasSum(value), encoders, clip));
    },
  };
};

/**
 * @param {import("../save.js").Saver} saver
 * @param {ReturnType<typeof rangeOf>} range
 * @param {boolean} sum there is one
 * @param {string[] | null} encoders
 * @param {{id: string, container: string, quality: string}} clip
 */
function choices(saver, range, sum, encoders, clip) {
  const number = (/** @type {"from" | "to"} */ name, /** @type {string} */ text) => el("label", {}, text, el("input", { type: "number", min: range.first, max: range.last, value: range[name], onchange: onInput((value) => saver.choose({ [name]: Number(value) })) }));
  const kinds = clips.filter(({ station, alpha }) => (sum || station !== "sum") && (!alpha || encoders?.includes("webm")));
  if (!kinds.some(({ id }) => id === clip.id)) clip.id = kinds[0].id;
  if (encoders?.length && !encoders.includes(clip.container)) clip.container = encoders[0];
  return [
    el("fieldset", {}, el("legend", {}, "This frame, as 16-bit PNG"), el("div", { className: "row" },
      products.map(({ id, title }) => press(title, () => saver.frame(id), { disabled: id === "sum" && !sum, title: id === "sum" && !sum ? "There is no background yet" : null }))),
      el("p", { className: "quiet" }, "The cut-out is the foreground with alpha: straight, as PNG has it, or premultiplied, as it was photographed; the file's name says which. sRGB curve; the matte is linear.")),
    el("fieldset", {}, el("legend", {}, "The range"), el("div", { className: "row" }, number("from", "From"), number("to", "to")),
      el("div", { className: "row" },
        press(sum ? "Composites and mattes as ZIP" : "Cut-outs and mattes as ZIP", () => saver.zip()),
        "showDirectoryPicker" in window ? press("Into a folder", () => saver.folder()) : null)),
    el("fieldset", {}, el("legend", {}, "The range as a clip, of 8 bits"),
      encoders?.length ? [
        el("div", { className: "row" },
          choice("Of the", kinds.map(({ id, title }) => [id, title]), clip.id, (id) => (clip.id = id)),
          choice("as", encoders.map((kind) => [kind, kind === "mp4" ? "MP4" : "WebM"]), clip.container, (kind) => (clip.container = kind)),
          choice("quality", qualities.map(([value, text]) => [value, text]), clip.quality, (value) => (clip.quality = value))),
        el("div", { className: "row" }, press("Write the clip", () => saver.clip(clip.id, clip.container, Number(clip.quality)))),
      ] : el("p", { className: "note" }, encoders ? "This browser has no encoder for clips: take the ZIP." : "Asking the browser what it can write …")),
    el("div", { className: "row" }, press("The recipe", () => saver.recipe())),
  ];
}
