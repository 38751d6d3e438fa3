// Pictures by the browser's own decoders, many times as fast as ones in WebAssembly: a JPEG's
// planes as they are decoded, where the browser gives them out, else R'G'B' of 8 bits. Of a JPEG
// the rounding may differ from the library's by a code value; where it has chroma of another size
// than luma and comes as R'G'B', its chroma was smoothed, too. A PNG of 16 bits loses its lower
// eight, and one that is not in order may pass.
import { bytes, give } from "./spare.js";

/** @typedef {{type: string, width: number, height: number, kind: string}} Head of a picture; kind is of its planes */

/** @type {Uint8Array<ArrayBuffer>[]} */
let given = []; // what planes returned

// again says that what planes returned so far has been read, or will not be.
export function again() {
  give(given);
  given = [];
}

// rough reports whether planes returned something since then.
export const rough = () => given.length > 0;

/**
 * planes returns what plate/inpart_js.go reads, or null where the library must read the file. It is
 * there until again.
 * @param {Blob | Uint8Array} file
 * @param {number} pixels that a picture has at most
 */
export async function planes(file, pixels) {
  if (!(file instanceof Blob) || typeof ImageDecoder === "undefined") return null;
  const data = await file.arrayBuffer();
  const bytes = new Uint8Array(data);
  const head = jpeg(bytes) ?? png(bytes);
  if (!head?.width || !head.height || head.width * head.height > pixels) return null;
  const { type, width, height, kind } = head;
  const decoder = new ImageDecoder({ data, type, transfer: [data], colorSpaceConversion: "none" });
  /** @type {VideoFrame | undefined} */
  let frame;
  try {
    ({ image: frame } = await decoder.decode());
    const seen = frame.visibleRect;
    if (!seen || seen.x || seen.y || seen.width !== width || seen.height !== height) return null;
    let at, out;
    /** @type {VideoFrameCopyToOptions} */
    let how;
    if (kind === "420" && frame.format === "I420") {
      const [cw, ch] = [(width + 1) >> 1, (height + 1) >> 1];
      const [luma, chroma] = [width * height, cw * ch];
      [at, out] = room(width, height, "420", luma + 2 * chroma);
      how = { layout: [{ offset: 0, stride: width }, { offset: luma, stride: cw }, { offset: luma + chroma, stride: cw }] };
    } else if (/^(RGB|BGR)[AX]$/.test(frame.format ?? "")) {
      [at, out] = room(width, height, kind === "gray" ? "gray" : "rgb", 4 * width * height);
      how = { format: "RGBX", layout: [{ offset: 0, stride: 4 * width }] };
    } else {
      return null;
    }
    await frame.copyTo(out.subarray(at), how);
    given.push(out); // not before it is whole: it may come after again
    return out;
  } catch {
    return null; // the library says what is wrong with it
  } finally {
    frame?.close();
    decoder.close();
  }
}

/**
 * room returns where n bytes begin after a head, and an array for both.
 * @param {number} width
 * @param {number} height
 * @param {string} planes as the head names them
 * @param {number} n
 * @returns {[number, Uint8Array<ArrayBuffer>]}
 */
function room(width, height, planes, n) {
  const head = new TextEncoder().encode(`twinplate in part: planes ${width} ${height} ${planes}\n`);
  const out = bytes(head.length + n);
  out.set(head);
  return [head.length, out];
}

// A head is null where a file is not of the usual kinds: gray or color without alpha, upright.

/**
 * jpeg reads ITU-T T.81, annex B: Y'CbCr or gray of 8 bits.
 * @param {Uint8Array} bytes
 * @returns {Head | null}
 */
function jpeg(bytes) {
  const word = (/** @type {number} */ i) => (bytes[i] << 8) | bytes[i + 1];
  if (word(0) !== 0xffd8) return null;
  for (let at = 2; at + 18 < bytes.length && bytes[at] === 0xff; at += 2 + word(at + 2)) {
    const marker = bytes[at + 1];
    const text = String.fromCharCode(...bytes.subarray(at + 4, at + 9));
    if (marker === 0xee && text === "Adobe" && bytes[at + 15] !== 1) return null; // not Y'CbCr
    if (marker === 0xda) return null;
    if (marker < 0xc0 || marker > 0xc2) continue; // SOF0 to SOF2
    const [height, width, n] = [word(at + 5), word(at + 7), bytes[at + 9]];
    const head = { type: "image/jpeg", width, height };
    if (bytes[at + 4] !== 8) return null;
    if (n === 1) return { ...head, kind: "gray" };
    const [id, sampling] = [0, 1].map((k) => [0, 1, 2].map((c) => bytes[at + 10 + 3 * c + k]));
    if (n !== 3 || String.fromCharCode(...id) === "RGB") return null;
    return { ...head, kind: sampling.join() === "34,17,17" ? "420" : "other" };
  }
  return null;
}

/**
 * png reads the chunks before the picture's bytes: gray or color of 8 or 16 bits, without a
 * transparent color.
 * @param {Uint8Array} bytes
 * @returns {Head | null}
 */
function png(bytes) {
  const view = new DataView(bytes.buffer);
  const name = (/** @type {number} */ at) => String.fromCharCode(...bytes.subarray(at + 4, at + 8));
  if (bytes.length < 33 || view.getUint32(0) !== 0x89504e47 || name(8) !== "IHDR") return null;
  const [depth, kind] = [bytes[24], bytes[25]];
  if ((depth !== 8 && depth !== 16) || (kind !== 0 && kind !== 2)) return null;
  for (let at = 33; at + 8 <= bytes.length; at += 12 + view.getUint32(at)) {
    if (name(at) === "tRNS") return null;
    if (name(at) === "IDAT") return { type: "image/png", width: view.getUint32(16), height: view.getUint32(20), kind: kind === 0 ? "gray" : "rgb" };
  }
  return null;
}
