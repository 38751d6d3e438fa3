// The panel of the finished shot: regions drawn over the picture, the color of both, and where the
// background lies.
import { choice, download, el, fileOf, fill, onInput, onTick, press, tick } from "../../dom.js";
import { messageOf } from "../../errors.js";
import { readColor, written } from "../cdl.js";
import { Outlines } from "../outline.js";
import { cornersAt, withKey } from "../regions.js";
import { hasSum, nameOf } from "../state.js";

/** @typedef {import("../state.js").State} State */
/** @typedef {import("../state.js").PageStore} PageStore */
/** @typedef {import("../regions.js").Region} Region */
/** @typedef {import("../regions.js").Effect} Effect */
/** @typedef {import("../regions.js").Corner} Corner */
/** @typedef {{matrix?: number[], gray_card?: import("../outline.js").Card, balance?: number[], exposure?: number, contrast?: number, black?: number, saturation?: number, in?: string, cdl?: import("../operations.js").CDL}} Grade see composite.Grade */
/** @typedef {{mode?: string, offset_x?: number, offset_y?: number, scale?: number, turn?: number, softness?: number}} Fit see composite.Fit */
/** @typedef {"foreground_grade" | "background_grade"} Side */
/** @typedef {import("../outline.js").Card} Card */

const effects = [["outside", "outside: the background shows"], ["solid", "solid: nothing shows through"], ["open", "open: all shows through"], ["unspilled", "unspilled: the lamps' light is taken off them"]];
const spaces = [["", "linear light"], ["acescct", "ACEScct, a log"]];
const sides = /** @type {const} */ (["foreground_grade", "background_grade"]);
const luma = [0.2126, 0.7152, 0.0722]; // ITU-R BT.709

/**
 * A number of the recipe as a slider: its field, its words, its range, what it is where the recipe
 * has none, and its unit.
 * @typedef {[field: string, text: string, min: number, max: number, step: number, none: number, unit: string]} Knob
 */

/** @type {Knob[]} */
const colors = [["exposure", "Exposure", -4, 4, 0.05, 0, "stops"], ["contrast", "Contrast", 0.5, 2, 0.01, 1, ""], ["saturation", "Saturation", 0, 2, 0.01, 1, ""], ["black", "Black level", -0.05, 0.05, 0.001, 0, ""]];
/** @type {Knob[]} */
const places = [["offset_x", "To the right", -1, 1, 0.005, 0, "widths"], ["offset_y", "Down", -1, 1, 0.005, 0, "heights"], ["scale", "Size", 0.1, 4, 0.01, 1, "times"], ["turn", "Turn", -180, 180, 0.5, 0, "degrees"], ["softness", "Softness", 0, 30, 0.25, 0, "pixels"]];

/**
 * changed returns an object with a field more, or without it where it has its usual value; undefined
 * where nothing is left.
 * @template {object} T
 * @param {T | undefined} object
 * @param {string} field
 * @param {unknown} value
 * @param {unknown} [usual]
 * @returns {T | undefined}
 */
function changed(object, field, value, usual) {
  const { [field]: _, ...rest } = /** @type {Record<string, unknown>} */ (object ?? {});
  const out = value === usual || value === undefined ? rest : { ...rest, [field]: value };
  return Object.keys(out).length ? /** @type {T} */ (out) : undefined;
}

/**
 * shotPanel returns what draws the panel.
 * @param {PageStore} store
 * @param {import("../viewer.js").Viewer} viewer
 * @param {import("../engines.js").Engines} engines
 * @returns {import("../panels.js").Panel["draw"]}
 */
export function shotPanel(store, viewer, engines) {
  // What of the sketch is the panel's own: no picture hangs on it.
  let chosen = /** @type {number | null} */ (null);
  let drawing = /** @type {Corner[] | null} */ (null);
  let editing = false;
  let carding = /** @type {Side | null} */ (null); // whose gray card is being placed
  let card = /** @type {Card | null} */ (null); // where in the frame
  let located = /** @type {{of: string, map: number[]} | null} */ (null); // where the frame lies in the background's picture
  let wrong = ""; // why a file of color was not opened or written
  let offered = /** @type {{side: Side, all: import("../cdl.js").Correction[]} | null} */ (null); // corrections of a file that has several
  let border = /** @type {[number, number, number, number][]} */ ([]); // of the screen of the take that is shown
  let bordered = /** @type {State["ready"]} */ (null); // that take

  const change = (/** @type {Record<string, unknown>} */ some, kind = "") => store.choose({ recipe: { ...store.value.recipe, ...some } }, kind);
  const regionsOf = ({ recipe } = store.value) => /** @type {Region[]} */ (recipe.regions ?? []);
  const gradeOf = (/** @type {Side} */ side) => /** @type {Grade} */ (store.value.recipe[side] ?? {});
  const put = (/** @type {Region[]} */ regions, kind = "") => change({ regions: regions.length ? regions : undefined }, kind);
  const set = (/** @type {number} */ i, /** @type {Region} */ region) => put(regionsOf().map((r, k) => (k === i ? region : r)), `region ${i}`);
  const add = (/** @type {Corner[]} */ corners) => {
    chosen = regionsOf().length;
    put([...regionsOf(), { effect: "outside", feather: 4, keys: [{ frame: store.value.frame, corners }] }]);
  };

  const outlines = new Outlines(set, (corners, closed) => {
    drawing = closed ? null : corners;
    if (closed && corners) add(corners);
    redraw();
  }, (i) => {
    chosen = i;
    redraw();
  }, (to, done) => {
    const side = carding;
    if (done) carding = null;
    card = to;
    if (to && side) isGray(side, to);
    redraw();
  });

  // isGray makes what is in a rectangle of the frame the gray card of a side.
  const isGray = async (/** @type {Side} */ side, /** @type {Card} */ to) => {
    const { frame } = store.value;
    try {
      const map = side === "background_grade" ? await placeOf(frame) : null;
      const { left, top, right, bottom } = map ? within(map, to) : to;
      const { balance: _, ...grade } = gradeOf(side);
      const part = (/** @type {number} */ v) => Number(v.toFixed(4));
      if (!(part(left) >= 0 && part(top) >= 0 && part(right) <= 1 && part(bottom) <= 1)) throw new Error("the card must lie in the background's picture");
      wrong = "";
      change({ [side]: { ...grade, gray_card: { frame, left: part(left), top: part(top), right: part(right), bottom: part(bottom) } } }, `${side} card`);
    } catch (error) {
      wrong = messageOf(error);
    }
    redraw();
  };

  // placeOf asks where a frame lies in the background's picture.
  const placeOf = async (/** @type {number} */ number) => (await engines.call("place", { number }, { urgent: true })).result;

  /**
   * cornersOf returns the corners of a side's gray card in the frame that is looked at, or null.
   * @param {Side} side
   */
  const cornersOf = (side) => {
    const { frame, frames, recipe } = store.value;
    const one = gradeOf(side).gray_card;
    if (!one) return null;
    const corners = [[one.left, one.top], [one.right, one.top], [one.right, one.bottom], [one.left, one.bottom]];
    if (side === "foreground_grade") return (one.frame ?? frames[0]) === frame ? corners : null;
    const of = JSON.stringify([frame, recipe.fit, recipe.fit_end, recipe.background_start]);
    if (located?.of === of) return corners.map(back(located.map));
    placeOf(frame).then((map) => {
      located = { of, map };
      sketch();
    }, () => {}); // as the border
    return null;
  };

  // placeCard has the user place a side's gray card, from where it is.
  const placeCard = (/** @type {Side} */ side) => {
    const corners = cornersOf(side);
    const [x, y] = [0, 1].map((k) => (corners ?? []).map((corner) => corner[k]));
    card = corners && { left: Math.min(...x), top: Math.min(...y), right: Math.max(...x), bottom: Math.max(...y) };
    [carding, drawing] = [side, null];
    viewer.api?.fit();
    redraw();
  };

  // sketch draws the outlines over the picture, where they are wanted.
  const sketch = () => {
    const { tab, ready, frame } = store.value;
    if (tab !== "shot" || !ready || !(editing || drawing || carding)) {
      outlines.hide();
      return;
    }
    if (chosen !== null && chosen >= regionsOf().length) chosen = null;
    if (bordered !== ready) {
      [bordered, border] = [ready, []];
      engines.call("border", {}, { worker: engines.workers[0] }).then(({ result }) => {
        border = bordered === ready ? result : border;
        sketch();
      }, () => {}); // it is to look at: without it the rest goes on
    }
    outlines.show({ border, regions: regionsOf(), frame, w: ready.w, h: ready.h, chosen, drawing, card: carding && card, carding: !!carding,
      cards: sides.filter((side) => side !== carding).flatMap((side) => [cornersOf(side)].filter((corners) => !!corners)) });
  };
  const edit = (/** @type {boolean} */ on) => {
    editing = on;
    if (on) viewer.api?.fit();
    redraw();
  };
  /** @type {Element | undefined} */
  let place;
  const redraw = () => {
    if (place) draw(place, store.value);
    sketch();
  };
  store.subscribe(["tab", "ready", "frame", "recipe"], sketch);
  addEventListener("resize", sketch);

  const opened = new Set(["Regions"]); // of the groups
  /**
   * group is a part of the panel that can be shut.
   * @param {string} title
   * @param {boolean} used the recipe has something of it
   * @param {...Parameters<typeof el>[2]} children
   */
  const group = (title, used, ...children) => el("details", { className: "group", open: opened.has(title), ontoggle: (/** @type {Event} */ event) => {
    if (/** @type {HTMLDetailsElement} */ (event.currentTarget).open) opened.add(title);
    else opened.delete(title);
  } }, el("summary", {}, title, used ? el("span", { className: "quiet" }, " · set") : null), el("div", { className: "fields" }, ...children));

  /**
   * @param {Knob} knob
   * @param {number | undefined} value
   * @param {(value: number) => void} to
   */
  const slider = ([, text, min, max, step, none, unit], value, to) => {
    const now = value ?? none;
    const words = (/** @type {number} */ v) => `${Number(v.toFixed(3))}${unit ? ` ${unit}` : ""}`;
    const out = el("output", {}, words(now));
    return el("label", { className: "slider" }, text, out, el("input", { type: "range", min, max, step, value: now, oninput: onInput((v) => {
      out.textContent = words(Number(v));
      to(Number(v));
    }) }));
  };

  /**
   * @param {State} value
   * @param {Side} side
   * @param {string} title
   */
  const grade = ({ recipe, pixel, ready }, side, title) => {
    const now = /** @type {Grade} */ (recipe[side] ?? {});
    const to = (/** @type {string} */ field, /** @type {unknown} */ v, /** @type {unknown} */ usual) => change({ [side]: changed(now, field, v, usual) }, `${side} ${field}`);
    const numbers = /** @type {Record<string, number | undefined>} */ (/** @type {unknown} */ (now));
    const { gray_card: placed, balance: gains, ...unbalanced } = now;
    const balanced = (/** @type {number[] | undefined} */ to) => change({ [side]: changed(unbalanced, "balance", to) });
    const performer = side === "foreground_grade";
    const gray = () => {
      if (!pixel || !ready) return;
      if (performer) return balanced(balance(pixel.color.map((v, c) => v - pixel.glow[c]), now.matrix));
      const around = 2; // pixels: of the background there is no value before its grade
      isGray(side, { left: (pixel.x - around) / ready.w, top: (pixel.y - around) / ready.h, right: (pixel.x + 1 + around) / ready.w, bottom: (pixel.y + 1 + around) / ready.h });
    };
    const found = ready?.notes.find((note) => note.startsWith(`the ${performer ? "fore" : "back"}ground's balance by its gray card`));
    return group(title, !!recipe[side],
      colors.map((knob) => slider(knob, numbers[knob[0]], (v) => to(knob[0], v, knob[5]))),
      choice("Contrast, black and saturation act on", spaces, now.in ?? "", (v) => to("in", v, "")),
      el("div", { className: "row" },
        press("Drag over a gray card", () => placeCard(side), { disabled: !ready || !!carding || !(performer || hasSum(store.value)) }),
        press("The pixel pointed at is gray", gray, { disabled: !pixel || !(performer || hasSum(store.value)) }),
        placed || gains ? press("Without balance", () => balanced(undefined)) : null),
      carding === side ? el("p", { className: "note", role: "status" }, "Drag a rectangle over the card in the picture. By keys: arrows move it, with shift its lower right corner, Enter ends it.") : null,
      gains ? el("p", { className: "note" }, `Balance: ${gains.map((v) => v.toFixed(3)).join(", ")}`) : null,
      placed ? el("p", { className: "note" }, `A gray card in frame ${placed.frame ?? store.value.frames[0]}${found ? `: ${found.slice(found.indexOf(":") + 2)}` : ""}`) : null,
      el("div", { className: "row" },
        performer ? press("Match a chart", () => match(side), { disabled: !ready }) : null,
        fileOf("Open a matrix or ASC CDL", ".json,.cc,.ccc,.cdl", (file) => open(side, file)),
        now.matrix ? press("Without the matrix", () => to("matrix", undefined, undefined)) : null,
        now.cdl ? press("Without the CDL", () => to("cdl", undefined, undefined)) : null),
      now.matrix ? el("p", { className: "note" }, `Matrix: ${[0, 3, 6].map((i) => now.matrix?.slice(i, i + 3).map((v) => v.toFixed(3)).join(" ")).join("; ")}`) : null,
      now.cdl ? el("p", { className: "note" }, `CDL: slope ${short(now.cdl.slope)}, offset ${short(now.cdl.offset)}, power ${short(now.cdl.power)}, saturation ${now.cdl.saturation}`) : null,
      offered?.side === side ? choice("The file has several corrections: take", [["", "none yet"], ...offered.all.map(({ id }, i) => [String(i), id || `number ${i + 1}`])], "", (i) => {
        const one = offered?.all[Number(i)];
        offered = null;
        if (i && one) to("cdl", one.cdl, undefined);
      }) : null,
      recipe[side] ? press("As it was shot", () => change({ [side]: undefined })) : null);
  };

  /**
   * open takes a file of color for a grade.
   * @param {Side} side
   * @param {File} file
   */
  const open = async (side, file) => {
    [wrong, offered] = ["", null];
    try {
      const read = await readColor(file);
      const only = "all" in read ? (read.all.length === 1 ? read.all[0] : read.all.find(({ id }) => `${id}_grade` === side)) : undefined;
      if ("matrix" in read) change({ [side]: { ...gradeOf(side), matrix: read.matrix } });
      else if (only) change({ [side]: { ...gradeOf(side), cdl: only.cdl } });
      else offered = { side, all: read.all };
    } catch (error) {
      wrong = `${file.name}: ${messageOf(error)}`;
    }
    redraw();
  };

  /**
   * match takes the matrix of a chart in two pictures for a grade.
   * @param {Side} side
   */
  const match = async (side) => {
    wrong = "";
    try {
      const { matchChart } = await import("../chart.js");
      const matrix = await matchChart(engines, store.value.curves, String(store.value.ready?.recipe.color_curve ?? ""));
      if (matrix) change({ [side]: { ...gradeOf(side), matrix } });
    } catch (error) {
      wrong = messageOf(error);
      redraw();
    }
  };

  // saveCDL writes both grades for other programs.
  const saveCDL = async () => {
    wrong = "";
    try {
      const { result } = await engines.call("cdl", {}, { urgent: true });
      download(written(result), `${nameOf(store.value)}.ccc`);
    } catch (error) {
      wrong = messageOf(error);
    }
    redraw();
  };

  const background = (/** @type {State} */ { recipe }) => {
    const [fit, end] = /** @type {[Fit, Fit | undefined]} */ ([recipe.fit ?? {}, recipe.fit_end]);
    const knobs = (/** @type {"fit" | "fit_end"} */ name, /** @type {Fit} */ now) => places.map((knob) => slider(knob, /** @type {Record<string, number | undefined>} */ (/** @type {unknown} */ (now))[knob[0]],
      (v) => change({ [name]: changed(now, knob[0], v, knob[5]) ?? (name === "fit_end" ? {} : undefined) }, `${name} ${knob[0]}`)));
    return group("The background's place", !!(recipe.fit || end || recipe.background_start || recipe.background_end),
      knobs("fit", fit),
      el("label", { className: "check" }, el("input", { type: "checkbox", checked: !!end, onchange: onTick((on) => change({ fit_end: on ? { ...fit } : undefined })) }), "it drifts to another place by the last frame"),
      end ? knobs("fit_end", end) : [],
      el("label", {}, "Its frame that goes with the take's first", el("input", { type: "number", step: 1, value: /** @type {number | undefined} */ (recipe.background_start) ?? "", placeholder: "by number, or its first", onchange: onInput((v) => change({ background_start: v === "" ? undefined : Math.round(Number(v)) })) })),
      choice("After its last frame", [["hold", "the last is held"], ["loop", "it begins anew"]], String(recipe.background_end ?? "hold"), (v) => change({ background_end: v === "hold" ? undefined : v })));
  };

  const regions = (/** @type {State} */ value) => {
    const all = regionsOf(value);
    const { frame } = value;
    return group("Regions", all.length > 0,
      el("p", { className: "quiet" }, "Outlines within which the matte is what you say, and is not measured."),
      el("div", { className: "row" },
        press("Draw a region", () => {
          drawing = [];
          edit(true);
        }, { disabled: !value.ready || !!drawing }),
        press("Add a rectangle", () => {
          editing = true;
          viewer.api?.fit();
          add([{ x: 0.35, y: 0.35 }, { x: 0.65, y: 0.35 }, { x: 0.65, y: 0.65 }, { x: 0.35, y: 0.65 }]);
        }, { disabled: !value.ready }),
        el("label", { className: "check" }, el("input", { type: "checkbox", checked: editing, onchange: onTick(edit) }), "show them and the screen's border over the picture")),
      drawing ? el("p", { className: "note", role: "status" }, "Click or touch the picture for each corner; the first one again, or Enter, closes the outline. Backspace takes a corner back, Escape gives it up.") : null,
      all.map((region, i) => el("div", { className: chosen === i ? "region-row chosen" : "region-row" },
        el("div", { className: "row" },
          el("input", { type: "text", value: region.name ?? "", placeholder: `region ${i + 1}`, className: "region-name", "aria-label": `Name of region ${i + 1}`, onchange: onInput((v) => set(i, { ...region, name: v.trim() || undefined })) }),
          press(chosen === i && editing ? "Done" : "Move its corners", () => {
            chosen = chosen === i && editing ? null : i;
            edit(chosen !== null);
          }, { "aria-label": `${chosen === i && editing ? "Done with" : "Move the corners of"} region ${i + 1}` }),
          press("Remove", () => put(regionsOf().filter((_, k) => k !== i)), { "aria-label": `Remove region ${i + 1}` })),
        choice("It is", effects, region.effect, (v) => set(i, { ...region, effect: /** @type {Effect} */ (v) })),
        slider(["feather", "Feather", 0, 100, 1, 0, "pixels"], region.feather, (v) => set(i, { ...region, feather: v || undefined })),
        el("div", { className: "row" },
          el("span", { className: "quiet" }, region.keys.length === 1 ? "It stands still." : `Key frames: ${region.keys.map((key) => key.frame).join(", ")}`),
          region.keys.some((key) => key.frame === frame)
            ? region.keys.length > 1 ? press("No key frame here", () => set(i, { ...region, keys: region.keys.filter((key) => key.frame !== frame) })) : null
            : press("Key frame here", () => set(i, withKey(region, { frame, corners: cornersAt(region, frame) ?? region.keys[0].corners })))))));
  };

  /** @type {import("../panels.js").Panel["draw"]} */
  const draw = (into, value) => {
    place = into;
    const { recipe } = value;
    fill(into,
      el("p", {}, "What makes a matte a finished shot. All of it is in the recipe, and comes out of twinplate comp the same."),
      el("div", { className: "fields" },
        choice("Beyond the screen's border", [["", "the background shows"], ["keep", "the color plate stays"]], String(recipe.beyond === "outside" ? "" : recipe.beyond ?? ""), (v) => change({ beyond: v || undefined })),
        choice("The lamps' light on the performer", [["keep", "stays: a floor may hide it"], ["core", "is taken off their core, which counts as solid"]], String(recipe.spill ?? "keep"), (v) => change({ spill: v === "keep" ? undefined : v })),
        tick("show beside the picture where alpha is not measured", value.b === "unmeasured", (on) => store.choose({ b: on ? "unmeasured" : null }, "beside")),
        regions(value),
        grade(value, "foreground_grade", "The performer's color"),
        grade(value, "background_grade", "The background's color"),
        el("div", { className: "row" }, press("Save both colors as ASC CDL", saveCDL, { disabled: !value.ready || !(recipe.foreground_grade || recipe.background_grade) })),
        wrong || value.errors.general ? el("p", { className: "wrong", role: "alert" }, wrong || value.errors.general) : null,
        background(value)));
  };
  return draw;
}

const short = (/** @type {number[]} */ values) => values.map((v) => Number(v.toFixed(3))).join(" ");

/**
 * within returns a rectangle of the background's picture that is in one of the frame: all of it where it is
 * upright, and of a turned one what upright sides leave.
 * @param {number[]} map where a place of the frame lies in the picture
 * @param {Card} card
 * @returns {Card}
 */
function within([a, b, c, d, e, f], { left, top, right, bottom }) {
  const [x, y, w, h] = [(left + right) / 2, (top + bottom) / 2, (right - left) / 2, (bottom - top) / 2];
  const [u, v, p, q] = [a * x + b * y + c, d * x + e * y + f, Math.abs(a) * w + Math.abs(b) * h, Math.abs(d) * w + Math.abs(e) * h];
  // How far p and q, which go around it, reach in the frame again.
  const size = Math.abs(a * e - b * d);
  const [wide, high] = [(Math.abs(e) * p + Math.abs(b) * q) / size, (Math.abs(d) * p + Math.abs(a) * q) / size];
  const keep = Math.min(w / wide, h / high);
  return { left: u - keep * p, top: v - keep * q, right: u + keep * p, bottom: v + keep * q };
}

/**
 * back returns where a place of the picture lies in the frame.
 * @param {number[]} map as within has it
 * @returns {(place: number[]) => number[]}
 */
const back = ([a, b, c, d, e, f]) => ([u, v]) => [(e * (u - c) - b * (v - f)) / (a * e - b * d), (a * (v - f) - d * (u - c)) / (a * e - b * d)];

/**
 * balance returns the gains that make a color gray, of the same luminance, behind a matrix.
 * @param {number[]} color
 * @param {number[] | undefined} matrix
 */
function balance(color, matrix) {
  const seen = matrix ? [0, 3, 6].map((i) => matrix[i] * color[0] + matrix[i + 1] * color[1] + matrix[i + 2] * color[2]) : color;
  if (seen.some((v) => !(v > 0))) return undefined;
  const light = seen.reduce((sum, v, c) => sum + luma[c] * v, 0);
  return seen.map((v) => Number((light / v).toFixed(4)));
}
