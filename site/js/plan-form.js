// The form of a rig: a field for everything that a rig's file may have, with its unit and what it is.
import { el, fill, press } from "./dom.js";

/** @typedef {string | number | boolean | null} Plain */
/** @typedef {Plain | Value[] | {[name: string]: Value}} Value of a rig: what JSON has */
/** @typedef {{[name: string]: Value}} Rig */
/** @typedef {{illuminants: string[], curves: string[]}} Names that a rig may use */

/**
 * @typedef {object} Field
 * @property {string} key
 * @property {string} title with the unit
 * @property {string} [hint] what it is
 * @property {string | [string, string][]} [of] "text", "whole", "illuminant" or "curve", or the values that it may have, with their words; else a number
 * @property {string} [left] what is taken where it is left out; a field without it is needed
 * @property {(item: Rig) => boolean} [when] it has a meaning
 */

/** @typedef {{key: string, title: string, fields: (Field | Part | List)[]}} Part an object within */
/** @typedef {Part & {one: string, fresh: (names: Names) => Rig}} List of objects */

/** @type {(kinds: string[]) => (item: Rig) => boolean} */
const kind = (kinds) => (item) => kinds.includes(String(item.kind));

/** @type {List} */
const filters = {
  key: "filters", title: "Filters", one: "Filter", fresh: () => ({ kind: "pass", center_nm: 589.3, width_nm: 10 }),
  fields: [
    { key: "kind", title: "It", of: [["pass", "lets a band through"], ["block", "blocks a band"], ["curve", "has a measured curve"]] },
    { key: "center_nm", title: "Center (nm)", hint: "for light that meets it upright", when: kind(["pass", "block"]) },
    { key: "width_nm", title: "Width (nm)", hint: "between the wavelengths of half the peak", when: kind(["pass", "block"]) },
    { key: "order", title: "Cavities", of: "whole", left: "3", hint: "how steep its edges are", when: kind(["pass", "block"]) },
    { key: "peak", title: "Peak transmission", left: "0.9", hint: "0 to 1", when: kind(["pass", "block"]) },
    { key: "blocking", title: "Blocking (optical density)", left: "4", hint: "4 lets a ten-thousandth through", when: kind(["pass", "block"]) },
    { key: "index", title: "Effective index", left: "2", hint: "how far the band shifts for light at an angle: the maker's sheet has it", when: kind(["pass", "block"]) },
    { key: "place", title: "Place", left: "before the lens", of: [["front", "before the lens"], ["behind", "behind the lens"]] },
  ],
};

/** @type {(key: string, title: string) => Part} */
const camera = (key, title) => ({
  key, title, fields: [
    { key: "focal_mm", title: "Focal length (mm)" },
    { key: "stop", title: "Stop (T number)", hint: "with what the glass takes" },
    { key: "shutter_degrees", title: "Shutter (degrees)", hint: "360 is open for the whole frame" },
    { key: "gain", title: "Gain", left: "1", hint: "over the sensitivity at which the full well is full scale: 2 is one stop" },
    { key: "exit_pupil_mm", title: "Exit pupil (mm)", left: "far away", hint: "from the sensor; matters for a filter behind the lens" },
    {
      key: "sensor", title: "Sensor", fields: [
        { key: "model", title: "Kind", of: [["color", "color"], ["mono", "monochrome"], ["curve", "measured curves"]] },
        { key: "width_px", title: "Width (pixels)", of: "whole" },
        { key: "height_px", title: "Height (pixels)", of: "whole" },
        { key: "pitch_um", title: "Pitch (µm)", hint: "from pixel to pixel" },
        { key: "full_well", title: "Full well (electrons)", hint: "the most that a pixel holds" },
        { key: "read_noise", title: "Read noise (electrons)", hint: "in the dark" },
        { key: "bits", title: "Bits of the recording", of: "whole" },
        { key: "transfer_curve", title: "Curve of the recording", left: "linear", of: "curve" },
      ],
    },
    filters,
  ],
});

/** @type {(Field | Part | List)[]} */
const whole = [
  { key: "name", title: "Name", of: "text", left: "none" },
  { key: "fps", title: "Frames per second" },
  { key: "mains_hz", title: "Mains", of: [["50", "50 Hz"], ["60", "60 Hz"]], hint: "lamps swing at twice this" },
  { key: "camera_to_performer_m", title: "Camera to performer (m)" },
  {
    key: "screen", title: "Screen", fields: [
      { key: "width_m", title: "Width (m)" }, { key: "height_m", title: "Height (m)" },
      { key: "reflectance", title: "Reflectance", left: "0.8", hint: "of the line's light, 0 to 1" },
    ],
  },
  {
    key: "lamps", title: "Sodium lamps", fields: [
      { key: "count", title: "How many", of: "whole" },
      { key: "lumens", title: "Light of each (lm)", hint: "bare, after warm up (ten minutes)" },
      { key: "rows", title: "Rows", left: "at the sides", of: [["sides", "at the sides"], ["top and bottom", "above and below"], ["around", "all around"]] },
      { key: "distance_m", title: "Before the screen (m)" },
      { key: "beyond_m", title: "Outside its edge (m)", left: "0" },
      { key: "aim", title: "Aim", left: "0.5", hint: "where they point: the part of the way from their own edge across" },
      { key: "beam_degrees", title: "Beam (degrees)", left: "120", hint: "between the directions of half the intensity" },
      { key: "efficiency", title: "Efficiency of the fixture", left: "0.7", hint: "how much of the lamp's light leaves it" },
      { key: "ballast", title: "Ballast", left: "magnetic", of: [["magnetic", "magnetic"], ["electronic", "electronic"]] },
      { key: "ripple", title: "Ripple", left: "by the ballast", hint: "amplitude of the light's swing, over its mean" },
      { key: "leak", title: "Leak past the flags", left: "0.01", hint: "how much of a bare lamp's light reaches the performer" },
    ],
  },
  {
    key: "performer", title: "Performer", fields: [
      { key: "to_screen_m", title: "To the screen (m)" },
      { key: "cover", title: "Cover", left: "0.25", hint: "the part of the frame that they hide" },
      { key: "reflectance", title: "Reflectance of the costume", left: "0.3", hint: "in the mean" },
      { key: "flags", title: "Flags", left: "0", hint: "how much of the screen's light they keep off the performer's sides, 0 to 1" },
    ],
  },
  {
    key: "lights", title: "Set lights", one: "Light", fresh: ({ illuminants }) => ({ name: "light", illuminant: illuminants[0], lux: 100 }), fields: [
      { key: "name", title: "Name", of: "text" },
      { key: "illuminant", title: "Spectrum (CIE illuminant)", of: "illuminant", when: (item) => !item.curve && !item.curve_file },
      { key: "lux", title: "On the performer (lux)", hint: "without its filters" },
      filters,
    ],
  },
  {
    key: "splitter", title: "Beam splitter", fields: [
      { key: "to_color", title: "To the color camera", hint: "part of the light, 0 to 1" },
      { key: "to_band", title: "To the band camera", hint: "part of the light, 0 to 1" },
    ],
  },
  camera("color", "Color camera"),
  camera("band", "Band camera"),
  {
    key: "target", title: "What the plan is held against", fields: [
      { key: "level", title: "Screen in the band plate", left: "0.6", hint: "of full scale" },
      { key: "alpha", title: "Error of alpha", left: "0.01", hint: "by noise, codes and spill, root of the mean square" },
      { key: "edge", title: "Error of alpha at an edge", left: "0.05", hint: "at its largest" },
      { key: "blur_px", title: "Blur of the color plate (pixels)", left: "0.8", hint: "sigma of a Gaussian" },
    ],
  },
];

/** @type {Set<string>} */
const folded = new Set(whole.flatMap((part) => ("fields" in part ? [part.key] : []))); // parts that are closed

/** @typedef {(other: boolean) => void} Changed is told that a form's object has changed; other: which fields there are has */

/**
 * draw makes the form of a rig in place of the one that is there; the focus stays on its field.
 * @param {Element} into
 * @param {Rig} rig is changed in place
 * @param {Names} names
 * @param {Changed} changed
 */
export function draw(into, rig, names, changed) {
  const id = into.contains(document.activeElement) ? document.activeElement?.id : "";
  fill(into, formOf(whole, rig, "rig", names, changed));
  if (id) document.getElementById(id)?.focus();
}

/**
 * formOf makes the fields of an object. What a file may have beside them, measured curves, is kept.
 * @param {(Field | Part | List)[]} parts
 * @param {Rig} value
 * @param {string} path of it, for ids
 * @param {Names} names
 * @param {Changed} changed
 */
function formOf(parts, value, path, names, changed) {
  /** @type {(key: string, v: Value | undefined, other?: boolean) => void} */
  const set = (key, v, other = false) => {
    if (v === undefined) delete value[key];
    else value[key] = v;
    changed(other);
  };
  return parts.map((part) => {
    const at = `${path}-${part.key}`;
    if (!("fields" in part)) return !part.when || part.when(value) ? fieldOf(part, value[part.key], at, names, (v) => set(part.key, v, part.key === "kind")) : null;
    const inner = value[part.key];
    /** @type {HTMLElement[]} */
    let contents;
    let count = "";
    if ("fresh" in part) {
      const items = /** @type {Rig[]} */ (Array.isArray(inner) ? inner : []);
      count = `: ${items.length}`;
      contents = [
        ...items.map((item, i) => el("fieldset", {}, el("legend", {}, `${part.one} ${item.name ?? i + 1}`),
          el("div", { className: "inputs" }, formOf(part.fields, item, `${at}-${i}`, names, changed)),
          el("div", { className: "row" },
            press("Duplicate", () => set(part.key, items.toSpliced(i + 1, 0, structuredClone(item)), true), { id: `${at}-${i}-twice` }),
            press("Remove", () => set(part.key, items.toSpliced(i, 1), true), { id: `${at}-${i}-none` })))),
        el("div", { className: "row" }, press(`Add a ${part.one.toLowerCase()}`, () => set(part.key, [...items, part.fresh(names)], true), { id: `${at}-more` })),
      ];
    } else {
      const some = /** @type {Rig} */ (inner ?? {}); // the file may have none yet
      contents = [el("div", { className: "inputs" }, formOf(part.fields, some, at, names, (other) => set(part.key, some, other)))];
    }
    const node = el("details", { className: "part", id: at, ontoggle: () => (node.open ? folded.delete(at) : folded.add(at)) }, el("summary", {}, part.title + count), contents);
    node.open = !(folded.has(at) || folded.has(part.key)) || (folded.delete(part.key), folded.add(at), false);
    return node;
  });
}

/**
 * fieldOf makes one field. One that may be left out says what is taken then, and leaves it out when it is
 * emptied; of one that is needed the last value comes back.
 * @param {Field} field
 * @param {Value | undefined} value
 * @param {string} id
 * @param {Names} names
 * @param {(v: Value | undefined) => void} change
 */
function fieldOf({ key, title, hint, of, left }, value, id, names, change) {
  const label = (/** @type {HTMLElement} */ input) => el("label", {}, title, input, hint ? el("span", { className: "hint" }, hint) : null);
  const lists = of === "illuminant" ? names.illuminants : of === "curve" ? names.curves : null;
  const options = lists ? lists.map((name) => [name, name]) : Array.isArray(of) ? of : null;
  if (options) {
    const number = key === "mains_hz";
    const now = value === undefined || value === "" ? "" : String(value);
    const all = options.some(([v]) => v.toLowerCase() === now.toLowerCase()) || (now === "" && left) ? options : [[now, now || "choose"], ...options];
    return label(el("select", { id, onchange: (/** @type {Event} */ event) => {
      const v = /** @type {HTMLSelectElement} */ (event.target).value;
      change(v === "" ? undefined : number ? Number(v) : v);
    } }, left ? el("option", { value: "", selected: now === "" }, `${left} (assumed)`) : null,
    all.map(([v, text]) => el("option", { value: v, selected: v.toLowerCase() === now.toLowerCase() && now !== "" }, text))));
  }
  const text = of === "text";
  const input = el("input", { id, type: text ? "text" : "number", step: of === "whole" ? "1" : "any", value: value ?? "", placeholder: left ? `${left} (assumed)` : "", required: !left, onchange: () => {
    const now = input.value.trim();
    if (now === "" && !left) input.value = String(value ?? "");
    else change(now === "" ? undefined : text ? now : Number(now));
  } });
  return label(input);
}
