// Regions of a recipe: where their corners are at a frame, and what changes them. Nothing is changed in
// place. See matte.Region.

/** @typedef {{x: number, y: number, smooth?: boolean}} Corner in parts of the frame */
/** @typedef {{frame: number, corners: Corner[]}} Outline */
/** @typedef {"outside" | "solid" | "open" | "unspilled"} Effect */
/** @typedef {{name?: string, effect: Effect, feather?: number, first?: number, last?: number, keys: Outline[]}} Region */

/**
 * cornersAt returns a region's corners at a frame, as matte.Region.At has them; null where it does not
 * hold.
 * @param {Region} region
 * @param {number} frame
 * @returns {Corner[] | null}
 */
export function cornersAt({ first = 0, last = 0, keys }, frame) {
  if (frame < first || (last && frame > last) || !keys.length) return null;
  const after = keys.findIndex((key) => key.frame >= frame);
  if (after < 0) return keys[keys.length - 1].corners;
  if (after === 0 || keys[after].frame === frame) return keys[after].corners;
  const [a, b] = [keys[after - 1], keys[after]];
  const part = (frame - a.frame) / (b.frame - a.frame);
  return a.corners.map((c, i) => ({ ...c, x: c.x + part * (b.corners[i].x - c.x), y: c.y + part * (b.corners[i].y - c.y) }));
}

/**
 * moved returns the region with other corners at a frame: in the key frame there, in its only one, or
 * in a new one.
 * @param {Region} region
 * @param {number} frame
 * @param {Corner[]} corners
 * @returns {Region}
 */
export function moved(region, frame, corners) {
  const at = region.keys.length === 1 ? region.keys[0].frame : frame;
  return withKey(region, { frame: at, corners });
}

/**
 * withKey returns the region with a key frame more, or another in its place.
 * @param {Region} region
 * @param {Outline} key
 * @returns {Region}
 */
export const withKey = (region, key) => ({ ...region, keys: [...region.keys.filter(({ frame }) => frame !== key.frame), key].sort((a, b) => a.frame - b.frame) });

/**
 * eachOutline returns the region with all outlines changed alike, so that they keep as many corners.
 * @param {Region} region
 * @param {(corners: Corner[]) => Corner[]} change
 * @returns {Region}
 */
export const eachOutline = (region, change) => ({ ...region, keys: region.keys.map((key) => ({ ...key, corners: change(key.corners) })) });

/**
 * pathOf returns an outline as the data of an SVG path, in a frame of w by h: smooth corners bend as
 * matte.Region's do.
 * @param {Corner[]} corners
 * @param {number} w
 * @param {number} h
 */
export function pathOf(corners, w, h) {
  const n = corners.length;
  const at = (/** @type {number} */ i) => {
    const { x, y } = corners[(i + n) % n];
    return { x: x * w, y: y * h };
  };
  let path = `M${at(0).x} ${at(0).y}`;
  for (let i = 0; i < n; i++) {
    const [a, b] = [at(i), at(i + 1)];
    const [smoothA, smoothB] = [corners[i].smooth, corners[(i + 1) % n].smooth];
    if (!smoothA && !smoothB) {
      path += `L${b.x} ${b.y}`;
      continue;
    }
    const [before, next] = [smoothA ? at(i - 1) : a, smoothB ? at(i + 2) : b];
    const tangent = (/** @type {{x: number, y: number}} */ from, /** @type {{x: number, y: number}} */ to, /** @type {boolean | undefined} */ smooth) => ({ x: (to.x - from.x) / (smooth ? 2 : 1), y: (to.y - from.y) / (smooth ? 2 : 1) });
    const [ta, tb] = [tangent(before, b, smoothA), tangent(a, next, smoothB)];
    // Hermite's curve as Bézier's: a third of the tangents.
    path += `C${a.x + ta.x / 3} ${a.y + ta.y / 3} ${b.x - tb.x / 3} ${b.y - tb.y / 3} ${b.x} ${b.y}`;
  }
  return `${path}Z`;
}
