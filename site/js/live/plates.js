// The reference plates and the background, a button each.
import { $, el, files, fill, press } from "../dom.js";
import { messageOf } from "../errors.js";

/**
 * @param {import("./state.js").LiveStore} store
 * @param {import("./session.js").Session} session
 */
export function drawPlates(store, session) {
  const shoot = (/** @type {"clean" | "dark"} */ name, /** @type {string} */ text) => press(`${store.value.have[name] ? "✓ " : ""}${text}`, () => session.shoot(name), { disabled: !store.value.running || !!store.value.working });
  store.show(["have", "running", "working"], ({ have }) => fill($("plates"),
    el("h2", {}, "Plates"),
    el("div", { className: "row" },
      shoot("clean", "Clean plate"), shoot("dark", "Dark plate"),
      have.clean || have.dark ? press("Without them", () => session.forget()) : null),
    el("p", { className: "quiet" }, "Clean: the lit screen with nobody before it. Dark: the lamps out, or both lenses capped. Sixteen frames each are averaged."),
    el("div", { className: "row" }, files("Background", false, ([first]) => {
      const name = `background${/\.[^.]*$/.exec(first.path.toLowerCase())?.[0] ?? ""}`;
      if (session.about.extensions.includes(name.slice("background".length))) session.hang({ name, file: first.file }).catch((error) => store.update({ wrong: messageOf(error) }));
      else store.update({ wrong: `${first.path} is no picture that can be read: it must be one of ${session.about.extensions.join(", ")}` });
    }))));
}
