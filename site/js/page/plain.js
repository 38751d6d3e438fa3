// The picture on a plain canvas, for browsers without the graphics that wasm/viewer draws by: the same
// pictures, looks, divider and hands, without its averaging of light and its grid.

/** @typedef {import("./viewer.js").Api} Api */
/** @typedef {import("./viewer.js").Settings} Settings */
/** @typedef {{w: number, h: number, hi: Uint8Array, lo: Uint8Array, drawn: HTMLCanvasElement | null}} Side */

const mostScale = 16; // device pixels that a picture's may take
const reach = 22; // CSS pixels from the divider that take hold of it
const keyZoom = 1.25;
const keySplit = 0.01;
const gray = 0.18; // the reflectance of a gray card (common practice)
const luminance = [0.2126, 0.7152, 0.0722]; // ITU-R BT.709

/** @type {Float32Array} */
let numbers; // of binary16, by their bits

/** halves is the table of all binary16 numbers (IEEE 754). */
function halves() {
  const table = new Float32Array(1 << 16);
  for (let bits = 0; bits < 1 << 16; bits++) {
    const exponent = (bits >> 10) & 31;
    const fraction = bits & 1023;
    const size = exponent === 31 ? (fraction ? NaN : Infinity) : exponent ? 2 ** (exponent - 15) * (1 + fraction / 1024) : 2 ** -14 * (fraction / 1024);
    table[bits] = bits & 0x8000 ? -size : size;
  }
  return table;
}

const steps = 4096; // of the curve's table
const curve = Uint8Array.from({ length: steps + 1 }, (_, i) => {
  const x = i / steps;
  return Math.round(255 * (x <= 0.0031308 ? 12.92 * x : 1.055 * x ** (1 / 2.4) - 0.055)); // IEC 61966-2-1
});
/** @type {(v: number) => number} */
const linear = (v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);

/**
 * plainViewer lays a canvas over the viewer's frame, and does on it what the viewer does.
 * @param {HTMLElement} frame
 * @returns {Api}
 */
export function plainViewer(frame) {
  numbers ??= halves();
  const canvas = document.createElement("canvas");
  Object.assign(canvas, { id: "plain", className: "plain-picture", tabIndex: 0 });
  canvas.setAttribute("role", "application");
  canvas.setAttribute("aria-label", "Picture");
  frame.after(canvas);
  const context = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
  /** @type {(Side | null)[]} */
  const sides = [null, null];
  /** @type {Settings} */
  const look = { exposure: 0, channel: "rgb", under: "black", underColor: [0.5, 0.5, 0.5], clip: false, accent: [0.9, 0.56, 0.69], matte: [false, false], software: true };
  /** @type {Map<string, ((event: never) => void)[]>} */
  const listeners = new Map();
  /** @type {number | null} */
  let split = null;
  let zoom = 1; // over what just fits
  const center = { x: 0.5, y: 0.5 };
  let asked = false;

  const emit = (/** @type {string} */ name, /** @type {unknown} */ event) => listeners.get(name)?.forEach((listener) => listener(/** @type {never} */ (event)));
  const size = () => sides[0] ?? sides[1] ?? { w: 1, h: 1 };
  const fit = () => Math.min(canvas.width / size().w, canvas.height / size().h);
  const origin = () => {
    const s = fit() * zoom;
    return { s, x: canvas.width / 2 - center.x * size().w * s, y: canvas.height / 2 - center.y * size().h * s };
  };
  const draw = () => {
    if (asked) return;
    asked = true;
    requestAnimationFrame(() => {
      asked = false;
      const { s, x, y } = origin();
      context.fillStyle = "rgb(48 48 48)";
      context.fillRect(0, 0, canvas.width, canvas.height);
      context.imageSmoothingEnabled = s < 4;
      sides.forEach((side, i) => {
        if (!side || (i === 1 && split === null)) return;
        side.drawn ??= rendered(side, look, i);
        context.save();
        if (i === 1) {
          context.beginPath();
          context.rect(x + (split ?? 0) * size().w * s, 0, canvas.width, canvas.height);
          context.clip();
        }
        context.drawImage(side.drawn, x, y, size().w * s, size().h * s);
        context.restore();
      });
      if (split === null) return;
      context.fillStyle = `rgb(${look.accent.map((v) => 255 * v).join(" ")})`;
      const at = x + split * size().w * s;
      context.fillRect(at - 1, y, 2, size().h * s);
      context.fillRect(at - 6, y + 0.84 * size().h * s - 16, 12, 32);
    });
  };
  const changed = () => {
    for (const axis of /** @type {const} */ (["x", "y"])) {
      const seen = (axis === "x" ? canvas.width / size().w : canvas.height / size().h) / (fit() * zoom);
      center[axis] = seen >= 1 ? 0.5 : Math.min(Math.max(center[axis], seen / 2), 1 - seen / 2);
    }
    emit("view", { percent: 100 * fit() * zoom, zoom, x: center.x });
    if (split !== null) emit("divider", { x: split });
    draw();
  };
  const zoomTo = (/** @type {number} */ to, px = canvas.width / 2, py = canvas.height / 2) => {
    const before = origin();
    const held = [(px - before.x) / before.s, (py - before.y) / before.s];
    zoom = Math.min(Math.max(to, Math.min(1, 0.5 / fit())), Math.max(1, mostScale / fit()));
    const s = fit() * zoom;
    center.x = (held[0] - (px - canvas.width / 2) / s) / size().w;
    center.y = (held[1] - (py - canvas.height / 2) / s) / size().h;
    changed();
  };

  const ratio = () => canvas.width / Math.max(1, canvas.clientWidth);
  const spot = (/** @type {MouseEvent} */ event) => ({ x: event.offsetX * ratio(), y: event.offsetY * ratio() });
  const hover = (/** @type {MouseEvent} */ event) => {
    const p = spot(event);
    const { s, x, y } = origin();
    const [i, j] = [Math.floor((p.x - x) / s), Math.floor((p.y - y) / s)];
    emit("pixel", { x: i, y: j, inside: i >= 0 && j >= 0 && i < size().w && j < size().h });
  };
  let dividing = false;
  canvas.onpointerdown = (event) => {
    canvas.setPointerCapture(event.pointerId);
    const { s, x } = origin();
    dividing = split !== null && Math.abs(spot(event).x - (x + split * size().w * s)) < reach * ratio();
    hover(event);
  };
  canvas.onpointermove = (event) => {
    if (!event.buttons) return hover(event);
    const { s, x } = origin();
    if (dividing) split = Math.min(1, Math.max(0, (spot(event).x - x) / (size().w * s)));
    else {
      center.x -= (event.movementX * ratio()) / (size().w * s);
      center.y -= (event.movementY * ratio()) / (size().h * s);
    }
    changed();
  };
  canvas.addEventListener("wheel", (event) => {
    event.preventDefault();
    const p = spot(event);
    zoomTo(zoom * Math.exp(-event.deltaY / 400), p.x, p.y);
  }, { passive: false });
  canvas.onkeydown = (event) => {
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    const plain = !event.ctrlKey && !event.altKey && !event.metaKey;
    if (plain && (event.key === "+" || event.key === "=")) zoomTo(zoom * keyZoom);
    else if (plain && event.key === "-") zoomTo(zoom / keyZoom);
    else if (plain && event.key === "0") zoomTo(1);
    else if (plain && way && event.shiftKey && split !== null) split = Math.min(1, Math.max(0, split + keySplit * way[0]));
    else if (plain && way && !event.shiftKey && zoom > 1) [center.x, center.y] = [center.x + way[0] / (8 * zoom), center.y + way[1] / (8 * zoom)];
    else return; // it is the page's
    event.preventDefault();
    event.stopPropagation();
    changed();
  };
  new ResizeObserver(() => {
    const dense = devicePixelRatio || 1;
    [canvas.width, canvas.height] = [Math.max(1, Math.round(canvas.clientWidth * dense)), Math.max(1, Math.round(canvas.clientHeight * dense))];
    changed();
  }).observe(canvas);

  return {
    picture: (side, w, h, hi, lo) => {
      sides[side] = { w, h, hi, lo, drawn: null };
      changed();
      return true;
    },
    clear: (side) => {
      sides[side] = null;
      draw();
    },
    look: (some) => {
      Object.assign(look, some);
      for (const side of sides) if (side) side.drawn = null;
      draw();
    },
    divider: (x) => {
      split = x;
      draw();
    },
    fit: () => zoomTo(1),
    actual: () => zoomTo(1 / fit()),
    snapshot: async () => ({ w: canvas.width, h: canvas.height, rgba: new Uint8Array(context.getImageData(0, 0, canvas.width, canvas.height).data.buffer) }),
    on: (name, listener) => void listeners.set(name, [...(listeners.get(name) ?? []), listener]),
  };
}

/**
 * rendered returns a picture as a screen shows it.
 * @param {Side} side
 * @param {Settings} look
 * @param {number} i which of the two it is
 */
function rendered({ w, h, hi, lo }, look, i) {
  const { exposure, channel, under, underColor, clip, matte } = look;
  const canvas = document.createElement("canvas");
  [canvas.width, canvas.height] = [w, h];
  const context = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
  const image = new ImageData(w, h);
  const out = image.data;
  const gain = 2 ** exposure;
  const plain = matte[i] || channel === "alpha"; // numbers: without the display's curve
  const code = (/** @type {number} */ v) => (plain ? Math.round(255 * Math.min(Math.max(v, 0), 1)) : curve[Math.round(steps * Math.min(Math.max(v, 0), 1)) || 0]);
  const one = ["r", "g", "b"].indexOf(channel);
  const ground = (/** @type {number} */ x, /** @type {number} */ y, /** @type {number} */ c) => {
    if (under === "gray") return gray;
    if (under === "color") return linear(underColor[c]);
    return under === "checker" ? linear(((x >> 4) + (y >> 4)) % 2 ? 0.56 : 0.38) : 0;
  };
  const rgb = [0, 0, 0];
  for (let y = 0, k = 0; y < h; y++) {
    for (let x = 0; x < w; x++, k += 4) {
      const alpha = numbers[(hi[k + 3] << 8) | lo[k + 3]];
      for (let c = 0; c < 3; c++) rgb[c] = numbers[(hi[k + c] << 8) | lo[k + c]];
      if (channel === "alpha") rgb.fill(alpha);
      else {
        for (let c = 0; c < 3; c++) rgb[c] = (rgb[c] + (1 - alpha) * ground(x, y, c)) * gain;
        if (one >= 0) rgb.fill(rgb[one]);
        else if (channel === "luminance") rgb.fill(luminance.reduce((sum, v, c) => sum + v * rgb[c], 0));
      }
      const clipped = clip && rgb.some((v) => v > 1 || v < 0) && (x + y) % 8 < 4;
      for (let c = 0; c < 3; c++) out[k + c] = clipped ? 255 * look.accent[c] : code(rgb[c]);
      out[k + 3] = 255;
    }
  }
  context.putImageData(image, 0, 0);
  return canvas;
}
