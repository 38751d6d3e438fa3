// JPEG by the browser's own decoder, many times as fast as one in WebAssembly: the planes as they are decoded, where the
// browser gives them out, else R'G'B'. Its rounding may differ from the library's by a code value. Where a JPEG has chroma of
// another size than luma and comes as R'G'B', its chroma was smoothed, too.
import { bytes, give } from "./spare.js";

let given = []; // what planes returned

// again says that what planes returned so far has been read, or will not be.
export function again() {
  give(given);
  given = [];
}

// planes returns what plate/inpart_js.go reads, or null where the library must decode the file. It is there until again.
export async function planes(data) {
  const head = headOf(data);
  if (!head || typeof ImageDecoder === "undefined") return null;
  const { width, height, kind } = head;
  const decoder = new ImageDecoder({ data, type: "image/jpeg", colorSpaceConversion: "none" });
  let frame;
  try {
    ({ image: frame } = await decoder.decode());
    const { x, y, width: w, height: h } = frame.visibleRect;
    if (x || y || w !== width || h !== height) return null;
    let at, out, how;
    if (kind === "420" && frame.format === "I420") {
      const [cw, ch] = [(width + 1) >> 1, (height + 1) >> 1];
      const [luma, chroma] = [width * height, cw * ch];
      [at, out] = file(width, height, "420", luma + 2 * chroma);
      how = { layout: [{ offset: 0, stride: width }, { offset: luma, stride: cw }, { offset: luma + chroma, stride: cw }] };
    } else if (/^(RGB|BGR)[AX]$/.test(frame.format)) {
      [at, out] = file(width, height, kind === "gray" ? "gray" : "rgb", 4 * width * height);
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

function file(width, height, planes, n) {
  const head = new TextEncoder().encode(`twinplate in part: jpeg ${width} ${height} ${planes}\n`);
  const out = bytes(head.length + n);
  out.set(head);
  return [head.length, out];
}

const mostPixels = 134217728; // as package plate has it

// headOf reads a JPEG's head (ITU-T T.81, annex B): {width, height, kind}, or null where it is not of the usual kinds, gray
// or Y'CbCr of 8 bits, upright.
function headOf(bytes) {
  const word = (i) => (bytes[i] << 8) | bytes[i + 1];
  if (word(0) !== 0xffd8) return null;
  for (let at = 2; at + 9 < bytes.length && bytes[at] === 0xff; at += 2 + word(at + 2)) {
    const marker = bytes[at + 1];
    const text = String.fromCharCode(...bytes.subarray(at + 4, at + 9));
    if (marker === 0xee && text === "Adobe" && bytes[at + 15] !== 1) return null; // not Y'CbCr
    if (marker === 0xda) return null;
    if (marker < 0xc0 || marker > 0xc2) continue; // SOF0 to SOF2
    const [height, width, n] = [word(at + 5), word(at + 7), bytes[at + 9]];
    if (bytes[at + 4] !== 8 || !width || !height || width * height > mostPixels) return null;
    if (n === 1) return { width, height, kind: "gray" };
    const [id, sampling] = [0, 1].map((k) => [0, 1, 2].map((c) => bytes[at + 10 + 3 * c + k]));
    if (n !== 3 || String.fromCharCode(...id) === "RGB") return null;
    return { width, height, kind: { "34,17,17": "420", "17,17,17": "444" }[sampling] ?? "other" };
  }
  return null;
}
