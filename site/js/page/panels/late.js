// A panel whose module is fetched when its tab is opened for the first time.
import { messageOf } from "../../errors.js";
import { el, fill } from "../../dom.js";

/** @typedef {import("../panels.js").Panel} Panel */

/**
 * @param {Omit<Panel, "draw">} panel
 * @param {() => Promise<Panel["draw"]>} load
 * @returns {Panel}
 */
export function late(panel, load) {
  /** @type {Panel["draw"] | undefined} */
  let draw;
  /** @type {Parameters<Panel["draw"]> | undefined} */
  let last;
  return {
    ...panel,
    draw: (...args) => {
      if (draw) return draw(...args);
      const first = !last;
      last = args;
      if (!first) return;
      fill(args[0], el("p", { className: "quiet" }, "…"));
      load().then((loaded) => {
        draw = loaded;
        if (last) draw(...last);
      }, (error) => {
        fill(args[0], el("p", { className: "wrong", role: "alert" }, `This panel cannot be fetched: ${messageOf(error)}`));
        last = undefined; // the next time that it is drawn it is fetched again
      });
    },
  };
}
