// Pictures by the browser's own decoders, many times as fast as ones in WebAssembly: a JPEG's
// planes as they are decoded, where the browser gives them out, else R'G'B' of 8 bits. Of a JPEG
// the rounding may differ from the library's by a code value; where it has chroma of another size
// than luma and comes as R'G'B', its chroma was smoothed, too. A PNG of 16 bits loses its lower
// eight, and one that is not in order may pass.
import { chunks, headOf } from "./png.js";
import { bytes, give } from "./spare.js";
import { Stream } from "./stream.js";

/** @typedef {import("./stream.js").Decoded} Decoded */
/** @typedef {{format: string, width: number, height: number, color: boolean, sampled?: boolean}} Head of a picture; sampled: its chroma has half the size each way */

/** @type {Uint8Array<ArrayBuffer>[]} */
let given = []; // what planes returned

// again says that what planes returned so far has been read, or will not be.
export function again() {
  give(given);
  given = [];
}

// drafts reports whether planes returned something since then.
export const drafts = () => given.length > 0;

/**
 * planes returns a picture's planes, or null where the library must read the file. They are there
 * until again.
 * @param {Blob | Uint8Array} file
 * @param {number} pixels that a picture has at most
 * @returns {Promise<Decoded | null>}
 */
export async function planes(file, pixels) {
  if (!(file instanceof Blob) || typeof ImageDecoder === "undefined") return null;
  const data = await file.arrayBuffer();
  const head = jpeg(new Uint8Array(data)) ?? png(new Uint8Array(data));
  if (!head?.width || !head.height || head.width * head.height > pixels) return null;
  const { format, width, height, color, sampled } = head;
  const decoder = new ImageDecoder({ data, type: `image/${format}`, transfer: [data], colorSpaceConversion: "none" });
  /** @type {VideoFrame | undefined} */
  let frame;
  try {
    ({ image: frame } = await decoder.decode());
    const seen = frame.visibleRect;
    if (!seen || seen.x || seen.y || seen.width !== width || seen.height !== height) return null;
    /** @type {Decoded["planes"]} */
    let planes;
    let size;
    /** @type {VideoFrameCopyToOptions} */
    let how;
    if (sampled && frame.format === "I420") {
      const [cw, ch] = [(width + 1) >> 1, (height + 1) >> 1];
      const [luma, chroma] = [width * height, cw * ch];
      [planes, size] = ["420", luma + 2 * chroma];
      how = { layout: [{ offset: 0, stride: width }, { offset: luma, stride: cw }, { offset: luma + chroma, stride: cw }] };
    } else if (/^(RGB|BGR)[AX]$/.test(frame.format ?? "")) {
      [planes, size] = ["rgbx", 4 * width * height];
      how = { format: "RGBX", layout: [{ offset: 0, stride: 4 * width }] };
    } else {
      return null;
    }
    const out = bytes(size);
    await frame.copyTo(out, how);
    given.push(out); // not before it is whole: it may come after again
    return { format, width, height, color, depth: 8, planes, stream: new Stream(size, out) };
  } catch {
    return null; // the library says what is wrong with it
  } finally {
    frame?.close();
    decoder.close();
  }
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
    const head = { format: "jpeg", width, height };
    if (bytes[at + 4] !== 8) return null;
    if (n === 1) return { ...head, color: false };
    const [id, sampling] = [0, 1].map((k) => [0, 1, 2].map((c) => bytes[at + 10 + 3 * c + k]));
    if (n !== 3 || String.fromCharCode(...id) === "RGB") return null;
    return { ...head, color: true, sampled: sampling.join() === "34,17,17" };
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
  const head = headOf(bytes);
  if (!head) return null;
  for (const { name } of chunks(bytes)) {
    if (name === "tRNS") return null;
    if (name === "IDAT") return { ...head, format: "png" };
  }
  return null;
}
