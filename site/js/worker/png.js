// A PNG file's chunks.

/** @type {(bytes: Uint8Array, at: number) => number} */
export const word = (bytes, i) => ((bytes[i] << 24) | (bytes[i + 1] << 16) | (bytes[i + 2] << 8) | bytes[i + 3]) >>> 0;

/**
 * chunks goes through a file's chunks up to IEND, or to one that is cut off. Their data is from from to
 * to.
 * @param {Uint8Array} bytes
 */
export function* chunks(bytes) {
  if (word(bytes, 0) !== 0x89504e47 || word(bytes, 4) !== 0x0d0a1a0a) return;
  for (let from = 16; from <= bytes.length; ) {
    const to = from + word(bytes, from - 8);
    if (to + 4 > bytes.length) return;
    const name = String.fromCharCode(...bytes.subarray(from - 4, from));
    yield { name, from, to };
    if (name === "IEND") return;
    from = to + 12;
  }
}

/**
 * headOf returns what the IHDR chunk of a picture says that is gray or color, of 8 or 16 bits, without
 * alpha and not interlaced, or null.
 * @param {Uint8Array} bytes
 */
export function headOf(bytes) {
  const first = chunks(bytes).next().value;
  if (first?.name !== "IHDR" || first.to - first.from !== 13) return null;
  const [depth, kind, ...rest] = bytes.subarray(24, 29);
  const [width, height] = [word(bytes, 16), word(bytes, 20)];
  if (!width || !height || (depth !== 8 && depth !== 16) || (kind !== 0 && kind !== 2) || rest.some(Boolean)) return null;
  return { width, height, depth, color: kind === 2 };
}
