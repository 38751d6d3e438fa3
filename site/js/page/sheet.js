// The sheet that asks which plate is which: a picture of each sequence and clip, and what it is taken
// for. It closes once that is right, or with nothing changed.
import { $, button, dialog, el, files, fill, onInput, paint } from "../dom.js";
import { messageOf } from "../errors.js";
import { group, guess, titleOfWell, wells } from "./sort.js";

/** @typedef {import("./sort.js").Dropped} Dropped */
/** @typedef {import("./sort.js").Sorted} Sorted */
/** @typedef {import("./sort.js").Group} Group */
/** @typedef {{look: import("./operations.js").Description, rgba: Uint8Array<ArrayBuffer>}} Seen what a picture looks like, and a small one of it */
/** @typedef {Group & {well: string, wrong: string, canvas: HTMLCanvasElement, node?: HTMLElement}} Row */

/** @type {((more: Dropped[]) => void) | null} */
let adding = null; // what is dropped while the sheet is open goes to it

/**
 * add gives more files to the sheet that is open, and reports whether one is.
 * @param {Dropped[]} list
 */
export function add(list) {
  adding?.(list);
  return !!adding;
}

/**
 * ask has the user say which plate is which, and returns the answer, or null where nothing is to change.
 * @param {Dropped[]} plates
 * @param {(middle: Dropped) => Promise<Seen>} look reads a picture, or one of a clip
 * @param {(dropped: Dropped[]) => Promise<Dropped[]>} sift leaves what can be plates
 * @param {(placed: string[]) => boolean} enough reports whether there is a take with these
 * @returns {Promise<Sorted | null>}
 */
export async function ask(plates, look, sift, enough) {
  /** @type {Row[]} */
  let rows = [];
  const sheet = dialog("sort-dialog");

  const check = () => {
    const placed = rows.map((row) => row.well).filter(Boolean);
    const twice = placed.find((well, i) => placed.indexOf(well) !== i);
    const missing = enough(placed) ? [] : ["color", "band"].filter((well) => !placed.includes(well)).map((well) => titleOfWell(well).toLowerCase());
    const wrong = twice ? `Two are the ${titleOfWell(twice).toLowerCase()}: choose another for one, or leave it out.`
      : placed.length && missing.length ? `A take needs a ${missing.join(" and a ")}: choose which it is, or add its files.`
      : placed.length ? "" : "All are left out.";
    $("sort-wrong").textContent = wrong;
    $("sort-wrong").hidden = !wrong;
    button("sort-ok").disabled = !!wrong;
  };
  const draw = () => {
    fill($("sort-rows"), rows.map((row) => {
      const name = row.entries[0].path;
      const count = row.entries.length > 1 ? `${name} … (${row.entries.length} frames)` : name;
      return el("div", { className: "sort-row" }, row.canvas,
        el("div", {}, el("span", { className: "sort-name" }, count), row.wrong ? el("p", { className: "wrong" }, row.wrong) : null),
        el("select", { "aria-label": `What ${name} is`, onchange: onInput((well) => ((row.well = well), check())) },
          [["", "leave it out"], ...wells.map((w) => [w.id, w.title])].map(([id, title]) => el("option", { value: id, selected: id === row.well }, title))));
    }));
    check();
  };
  const take = async (/** @type {Dropped[]} */ list) => {
    const fresh = group(list).map((entries) => /** @type {Row} */ ({ entries, well: "", wrong: "", canvas: el("canvas", { width: 192, height: 108, role: "img", "aria-label": entries[0].path }) }));
    rows = [...rows, ...fresh];
    draw();
    await Promise.all(fresh.map(async (row) => {
      try {
        const middle = row.entries[Math.floor(row.entries.length / 2)];
        if (!middle.file.size) throw new Error("the file is empty: 0 bytes");
        const seen = await look(middle);
        row.look = seen.look;
        paint(row.canvas, seen.rgba, seen.look.w, seen.look.h);
      } catch (error) {
        row.wrong = messageOf(error);
      }
    }));
    const readable = rows.filter((row) => !row.wrong);
    guess(readable).forEach((well, i) => {
      if (fresh.includes(readable[i]) && !rows.some((row) => row.well === well)) readable[i].well = well;
    });
    draw();
  };

  adding = (more) => sift(more).then(take);
  fill($("sort-more"), files("Add files", false, (list) => adding?.(list)));
  sheet.returnValue = ""; // Esc leaves it so
  fill($("sort-rows"));
  sheet.showModal();
  const closed = new Promise((resolve) => sheet.addEventListener("close", resolve, { once: true }));
  try {
    await Promise.race([take(plates), closed]);
    await closed;
  } finally {
    adding = null;
  }
  return sheet.returnValue === "ok" ? new Map(rows.filter((row) => row.well).map((row) => [row.well, row.entries])) : null;
}

