// Outlines over the picture: regions are drawn and moved there by mouse, touch and keyboard. While they
// are, the whole picture is shown, so that a place on it is a place in the frame.
import { $ } from "../dom.js";
import { cornersAt, eachOutline, moved, pathOf } from "./regions.js";

/** @typedef {import("./regions.js").Region} Region */
/** @typedef {import("./regions.js").Corner} Corner */

/** @typedef {{frame?: number, left: number, top: number, right: number, bottom: number}} Card see composite.Card */

/**
 * @typedef {object} Sketch what is drawn over the picture
 * @property {Region[]} regions
 * @property {number} frame
 * @property {number} w of the frame
 * @property {number} h
 * @property {number | null} chosen the region whose corners can be moved
 * @property {[number, number, number, number][]} border of the screen, as lines
 * @property {Corner[] | null} drawing the corners so far of one that is being drawn
 * @property {number[][][]} cards the corners of gray cards that are of this frame, in parts of it
 * @property {Card | null} card the place of the one that is being placed
 * @property {boolean} carding the card is being placed
 */

const space = "http://www.w3.org/2000/svg";
const step = 0.01; // of the frame, that an arrow key moves by
const fine = 0.001; // the same with shift
const smallest = 0.004; // of the frame: a card that is smaller has a few pixels
const close = 16; // CSS pixels from the first corner, within which a click closes the outline

/**
 * svg makes an element of SVG.
 * @param {string} name
 * @param {Record<string, string | number>} attributes
 * @param {Record<string, (event: never) => void>} [listeners]
 */
function svg(name, attributes, listeners = {}) {
  const node = document.createElementNS(space, name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, String(value));
  for (const [type, listener] of Object.entries(listeners)) node.addEventListener(type, /** @type {EventListener} */ (listener));
  return node;
}

export class Outlines {
  /** @type {SVGElement | null} */
  #over = null;
  /** @type {Sketch | null} */
  #sketch = null;
  #focus = ""; // the name of the handle that has the keyboard

  /**
   * @param {(index: number, region: Region) => void} change a region was changed
   * @param {(corners: Corner[] | null, closed: boolean) => void} draw corners were added to one that is being drawn, or it was given up
   * @param {(index: number) => void} choose a region was pointed at
   * @param {(card: Card | null, done: boolean) => void} place the gray card was placed, or is done with
   */
  constructor(change, draw, choose, place) {
    this.place = place;
    this.change = change;
    this.draw = draw;
    this.choose = choose;
  }

  // hide takes the outlines away.
  hide() {
    this.#over?.remove();
    this.#over = null;
    this.#sketch = null;
  }

  /**
   * show draws the outlines anew.
   * @param {Sketch} sketch
   */
  show(sketch) {
    const { w, h, drawing, card, carding } = sketch;
    if (!this.#over) {
      this.#over = svg("svg", { class: "outlines", preserveAspectRatio: "xMidYMid meet", role: "group", "aria-label": "Regions over the picture" }, {
        pointerdown: (/** @type {PointerEvent} */ event) => this.#pressed(event),
        keydown: (/** @type {KeyboardEvent} */ event) => this.#drawingKey(event),
      });
      $("screen").append(this.#over);
    }
    const begun = carding && !this.#sketch?.carding;
    this.#sketch = sketch;
    const over = this.#over;
    over.setAttribute("viewBox", `0 0 ${w} ${h}`);
    over.setAttribute("tabindex", drawing || carding ? "0" : "-1");
    over.classList.toggle("drawing", !!drawing || carding);
    const border = sketch.border.map(([x0, y0, x1, y1]) => `M${x0 * w} ${y0 * h}L${x1 * w} ${y1 * h}`).join("");
    const nodes = [svg("path", { class: "border", d: border })];
    nodes.push(...sketch.regions.flatMap((region, i) => this.#region(sketch, region, i)));
    if (drawing?.length) nodes.push(svg("polyline", { class: "new", points: drawing.map(({ x, y }) => `${x * w},${y * h}`).join(" ") }), ...drawing.map((c, i) => this.#dot(sketch, c, i ? "corner" : "corner first")));
    nodes.push(...sketch.cards.map((corners) => svg("polygon", { class: "card", points: corners.map(([x, y]) => `${x * w},${y * h}`).join(" ") })));
    if (card) nodes.push(svg("rect", { class: "card new", x: card.left * w, y: card.top * h, width: (card.right - card.left) * w, height: (card.bottom - card.top) * h }));
    const focused = over.contains(document.activeElement); // else the keyboard is elsewhere, and stays there
    over.replaceChildren(...nodes);
    if ((drawing && (focused || !drawing.length)) || begun || (carding && focused)) over.focus();
    else if (focused) /** @type {SVGElement | null} */ (over.querySelector(`[data-name="${this.#focus}"]`))?.focus();
  }

  /**
   * @param {Sketch} sketch
   * @param {Region} region
   * @param {number} i
   */
  #region(sketch, region, i) {
    const { frame, w, h, chosen, carding } = sketch;
    const drawing = sketch.drawing || carding;
    const corners = cornersAt(region, frame);
    if (!corners) return [];
    const path = svg("path", { class: `region ${region.effect}${chosen === i ? " chosen" : ""}`, d: pathOf(corners, w, h) }, drawing ? {} : {
      pointerdown: (/** @type {PointerEvent} */ event) => {
        event.stopPropagation();
        if (chosen !== i) this.choose(i);
        else this.#drag(event, region, i, (dx, dy) => corners.map((c) => ({ ...c, x: c.x + dx, y: c.y + dy })));
      },
    });
    if (chosen !== i || drawing) return [path];
    const handles = corners.map((corner, k) => {
      const put = (/** @type {Corner} */ to) => moved(region, frame, corners.map((c, j) => (j === k ? { ...c, ...to } : c)));
      const handle = this.#dot(sketch, corner, corner.smooth ? "corner smooth" : "corner", {
        pointerdown: (/** @type {PointerEvent} */ event) => {
          event.stopPropagation();
          this.#drag(event, region, i, (dx, dy) => corners.map((c, j) => (j === k ? { ...c, x: c.x + dx, y: c.y + dy } : c)));
        },
        dblclick: () => this.change(i, this.#smooth(region, k)),
        focus: () => (this.#focus = `corner ${k}`),
        keydown: (/** @type {KeyboardEvent} */ event) => {
          const by = event.shiftKey ? fine : step;
          /** @type {Record<string, () => Region | null>} */
          const acts = {
            ArrowLeft: () => put({ x: corner.x - by, y: corner.y }), ArrowRight: () => put({ x: corner.x + by, y: corner.y }),
            ArrowUp: () => put({ x: corner.x, y: corner.y - by }), ArrowDown: () => put({ x: corner.x, y: corner.y + by }),
            s: () => this.#smooth(region, k),
            Delete: () => (corners.length > 3 ? eachOutline(region, (all) => all.filter((_, j) => j !== k)) : null),
            Backspace: () => (corners.length > 3 ? eachOutline(region, (all) => all.filter((_, j) => j !== k)) : null),
          };
          const act = acts[event.key];
          if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
          event.preventDefault();
          event.stopPropagation();
          const to = act();
          if (to) this.change(i, to);
        },
      });
      handle.setAttribute("tabindex", "0");
      handle.setAttribute("role", "button");
      handle.setAttribute("data-name", `corner ${k}`);
      handle.setAttribute("aria-label", `Corner ${k + 1} at ${(100 * corner.x).toFixed(1)} %, ${(100 * corner.y).toFixed(1)} %${corner.smooth ? ", smooth" : ""}: arrows move it, S bends it, Delete takes it away`);
      return handle;
    });
    const between = corners.map((a, k) => {
      const b = corners[(k + 1) % corners.length];
      const add = () => {
        this.#focus = `corner ${k + 1}`;
        this.change(i, eachOutline(region, (all) => {
          const [p, q] = [all[k], all[(k + 1) % all.length]];
          return [...all.slice(0, k + 1), { x: (p.x + q.x) / 2, y: (p.y + q.y) / 2, ...(p.smooth && q.smooth ? { smooth: true } : {}) }, ...all.slice(k + 1)];
        }));
      };
      const dot = this.#dot(sketch, { x: (a.x + b.x) / 2, y: (a.y + b.y) / 2 }, "between", {
        pointerdown: (/** @type {PointerEvent} */ event) => event.stopPropagation(),
        click: add,
        keydown: (/** @type {KeyboardEvent} */ event) => {
          if (event.key !== "Enter" && event.key !== " ") return;
          event.preventDefault();
          event.stopPropagation();
          add();
        },
      });
      dot.setAttribute("tabindex", "0");
      dot.setAttribute("role", "button");
      dot.setAttribute("aria-label", `Add a corner between ${k + 1} and ${((k + 1) % corners.length) + 1}`);
      return dot;
    });
    return [path, ...between, ...handles];
  }

  /**
   * @param {Region} region
   * @param {number} k
   */
  #smooth(region, k) {
    return eachOutline(region, (all) => all.map((c, j) => {
      if (j !== k) return c;
      const { smooth, ...rest } = c;
      return smooth ? rest : { ...rest, smooth: true };
    }));
  }

  /**
   * #dot is a handle, of one size on the screen whatever the frame's is.
   * @param {Sketch} sketch
   * @param {Corner} corner
   * @param {string} name
   * @param {Record<string, (event: never) => void>} [listeners]
   */
  #dot({ w, h }, { x, y }, name, listeners) {
    const radius = name === "between" ? 5 : 9; // CSS pixels
    const finger = 22; // likewise: what a finger hits, which is not drawn
    const scale = this.#scale(w, h);
    const at = { cx: x * w, cy: y * h };
    const dot = svg("g", { class: `handle ${name}` }, listeners);
    dot.append(svg("circle", { class: "finger", ...at, r: finger / scale }), svg("circle", { class: "dot", ...at, r: radius / scale }));
    return dot;
  }

  /**
   * #scale returns how many CSS pixels a pixel of the frame is wide.
   * @param {number} w
   * @param {number} h
   */
  #scale(w, h) {
    const { clientWidth, clientHeight } = $("screen");
    return Math.min(clientWidth / w, clientHeight / h) || 1;
  }

  /**
   * #place returns where the pointer is, in parts of the frame.
   * @param {PointerEvent} event
   */
  #place(event) {
    const { w = 1, h = 1 } = this.#sketch ?? {};
    const { left, top, width, height } = $("screen").getBoundingClientRect();
    const scale = this.#scale(w, h);
    return { x: 0.5 + (event.clientX - left - width / 2) / (w * scale), y: 0.5 + (event.clientY - top - height / 2) / (h * scale) };
  }

  /**
   * #drag moves corners with the pointer; letting go is the change.
   * @param {PointerEvent} event
   * @param {Region} region
   * @param {number} i
   * @param {(dx: number, dy: number) => Corner[]} to
   */
  #drag(event, region, i, to) {
    const sketch = this.#sketch;
    const over = this.#over;
    if (!sketch || !over || event.button !== 0) return;
    event.preventDefault();
    /** @type {Partial<SVGElement>} */ (event.target ?? {}).focus?.();
    const from = this.#place(event);
    over.setPointerCapture(event.pointerId);
    let last = region;
    const move = (/** @type {Event} */ e) => {
      const at = this.#place(/** @type {PointerEvent} */ (e));
      last = moved(region, sketch.frame, to(at.x - from.x, at.y - from.y));
      this.show({ ...sketch, regions: sketch.regions.map((r, k) => (k === i ? last : r)) });
    };
    const end = () => {
      over.removeEventListener("pointermove", move);
      over.removeEventListener("pointerup", end);
      over.removeEventListener("pointercancel", end);
      if (last !== region) this.change(i, last);
    };
    over.addEventListener("pointermove", move);
    over.addEventListener("pointerup", end);
    over.addEventListener("pointercancel", end);
  }

  /** @param {PointerEvent} event */
  #pressed(event) {
    const { drawing, carding, w, h } = this.#sketch ?? {};
    if (carding && event.button === 0) return this.#dragCard(event);
    if (!drawing || !w || !h || event.button !== 0) return;
    event.preventDefault();
    const at = this.#place(event);
    const [first] = drawing;
    const scale = this.#scale(w, h);
    if (drawing.length > 2 && Math.hypot((at.x - first.x) * w, (at.y - first.y) * h) * scale < close) this.draw(drawing, true);
    else this.draw([...drawing, at], false);
  }

  /**
   * #dragCard draws the card's place from where the pointer went down to where it is let go.
   * @param {PointerEvent} event
   */
  #dragCard(event) {
    const over = this.#over;
    if (!over || !this.#sketch) return;
    event.preventDefault();
    over.setPointerCapture(event.pointerId);
    const from = this.#place(event);
    const unit = (/** @type {number} */ v) => Math.min(Math.max(v, 0), 1);
    /** @type {Card | null} */
    let card = null;
    const move = (/** @type {Event} */ e) => {
      const to = this.#place(/** @type {PointerEvent} */ (e));
      const [left, right] = [from.x, to.x].map(unit).sort((a, b) => a - b);
      const [top, bottom] = [from.y, to.y].map(unit).sort((a, b) => a - b);
      card = right - left < smallest || bottom - top < smallest ? null : { left, top, right, bottom };
      if (this.#sketch) this.show({ ...this.#sketch, card });
    };
    const end = () => {
      over.removeEventListener("pointermove", move);
      over.removeEventListener("pointerup", end);
      over.removeEventListener("pointercancel", end);
      if (card) this.place(card, true);
    };
    over.addEventListener("pointermove", move);
    over.addEventListener("pointerup", end);
    over.addEventListener("pointercancel", end);
  }

  /**
   * #cardKey moves the card's place by the keyboard, with shift its lower right corner.
   * @param {KeyboardEvent} event
   */
  #cardKey(event) {
    const { card } = this.#sketch ?? {};
    const by = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[event.key];
    if (!by && event.key !== "Enter" && event.key !== "Escape") return;
    event.preventDefault();
    event.stopPropagation();
    if (!by) return this.place(card ?? null, true);
    const { left, top, right, bottom } = card ?? { left: 0.45, top: 0.45, right: 0.55, bottom: 0.55 };
    const [dx, dy] = card ? by : [0, 0];
    const [l, t] = event.shiftKey ? [left, top] : [left + dx, top + dy];
    const to = { left: l, top: t, right: right + dx, bottom: bottom + dy };
    if (to.left >= 0 && to.top >= 0 && to.right <= 1 && to.bottom <= 1 && to.right - to.left >= smallest && to.bottom - to.top >= smallest) this.place(to, false);
  }

  /** @param {KeyboardEvent} event */
  #drawingKey(event) {
    if (this.#sketch?.carding) return this.#cardKey(event);
    const { drawing } = this.#sketch ?? {};
    if (!drawing || !["Enter", "Escape", "Backspace"].includes(event.key)) return;
    event.preventDefault();
    event.stopPropagation();
    if (event.key === "Escape") this.draw(null, true);
    else if (event.key === "Backspace") this.draw(drawing.slice(0, -1), false);
    else if (drawing.length > 2) this.draw(drawing, true);
  }
}
