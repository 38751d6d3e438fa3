// A worker that undoes a PNG file's compression by the browser's own inflate, which is several
// times as fast as one in WebAssembly, while the engine makes light of the lines that are there.
// Where the file is not such a one, or not in order, the library has to read it, and says what is
// wrong with it.

import { messageOf } from "../errors.js";
import { chunks, headOf, word } from "./png.js";

/** @typedef {{id: number, file: Blob, pixels: number}} Question pixels are those that a picture has at most */

/**
 * The answers to a question: the picture, then the pieces, then done; or wrong.
 * @typedef {object} Answer
 * @property {number} id
 * @property {{width: number, height: number, color: boolean, depth: number, size: number}} [picture] size is how many bytes follow
 * @property {Uint8Array} [piece] of them
 * @property {boolean} [done]
 * @property {string} [wrong] why the library has to read it
 */

const piece = 1 << 18; // bytes that are written to the browser's inflate at once
const mostRatio = 1032; // that deflate packs: 258 bytes into two bits (RFC 1951, 3.2.5)

/** @type {Set<number>} */
const wanted = new Set(); // ids of questions

const scope = /** @type {DedicatedWorkerGlobalScope} */ (/** @type {unknown} */ (self));

/** @type {(answer: Answer, transfer?: Transferable[]) => void} */
const say = (answer, transfer = []) => scope.postMessage(answer, transfer);

scope.onmessage = async (/** @type {MessageEvent<Question | {cancel: number}>} */ { data }) => {
  if ("cancel" in data) {
    wanted.delete(data.cancel);
    return;
  }
  const { id } = data;
  wanted.add(id);
  try {
    await inflate(data);
    say({ id, done: true });
  } catch (error) {
    say({ id, wrong: messageOf(error) });
  } finally {
    wanted.delete(id);
  }
};

/** @param {Question} question */
async function inflate({ id, file, pixels }) {
  const bytes = new Uint8Array(await file.arrayBuffer());
  const { width, height, color, depth, chunks, data } = linesOf(bytes);
  const line = 1 + (width * (color ? 3 : 1) * depth) / 8;
  const size = line * height;
  if (width * height > pixels || bytes.length < size / mostRatio) throw new Error("too large");
  say({ id, picture: { width, height, color, depth, size: size + 4 } });

  const stream = new DecompressionStream("deflate");
  const writer = stream.writable.getWriter();
  const written = (async () => {
    for (const part of data) for (let i = 0; i < part.length; i += piece) await writer.write(part.subarray(i, i + piece));
    await writer.close();
  })();
  written.catch(() => {}); // the reader is told
  const reader = stream.readable.getReader();
  let n = 0;
  for (;;) {
    const { value, done } = await reader.read();
    if (done) break;
    n += value.length;
    if (n > size || !wanted.has(id)) {
      reader.cancel().catch(() => {});
      throw new Error(n > size ? "more lines than the picture has" : "no longer wanted");
    }
    say({ id, piece: value }, [value.buffer]);
  }
  await written;
  if (n !== size) throw new Error("fewer lines than the picture has");
  for (const { from, to } of chunks) if (crc(bytes, from - 4, to) !== word(bytes, to)) throw new Error("a checksum is wrong");
  // The sum of the lines, which the library holds to them once more.
  const tail = new Uint8Array(4);
  let at = 4;
  for (const part of data.reverse()) for (let i = part.length; i > 0 && at > 0; ) tail[--at] = part[--i];
  say({ id, piece: tail }, [tail.buffer]);
}

/**
 * linesOf reads a PNG file of the kinds that plate's own reader reads: gray or color, 8 or 16
 * bits, not interlaced, no transparent color. Data is the bytes of its IDAT chunks.
 * @param {Uint8Array<ArrayBuffer>} bytes
 */
function linesOf(bytes) {
  const wrong = new Error("not a PNG file that is read so");
  const all = [...chunks(bytes)];
  const head = headOf(bytes);
  const names = all.map((c) => c.name);
  const [first, last] = [names.indexOf("IDAT"), names.lastIndexOf("IDAT")];
  const end = all.at(-1);
  if (!head || first < 0 || names.slice(first, last).some((name) => name !== "IDAT") || end?.name !== "IEND" || end.from !== end.to) throw wrong;
  if (names.slice(1).some((name) => name === "IHDR" || name === "PLTE" || name === "tRNS")) throw wrong;
  return { ...head, chunks: all, data: all.slice(first, last + 1).map((c) => bytes.subarray(c.from, c.to)) };
}

// Tables for the CRC of PNG's annex D, eight bytes at a time.
const tables = new Int32Array(8 * 256);
for (let i = 0; i < 256; i++) {
  let c = i;
  for (let k = 0; k < 8; k++) c = c & 1 ? 0xedb88320 ^ (c >>> 1) : c >>> 1;
  tables[i] = c;
}
for (let i = 256; i < tables.length; i++) tables[i] = (tables[i - 256] >>> 8) ^ tables[tables[i - 256] & 255];

/**
 * @param {Uint8Array} bytes
 * @param {number} from
 * @param {number} to
 */
function crc(bytes, from, to) {
  let c = -1;
  let i = from;
  for (; i + 8 <= to; i += 8) {
    c ^= bytes[i] | (bytes[i + 1] << 8) | (bytes[i + 2] << 16) | (bytes[i + 3] << 24);
    c = tables[1792 + (c & 255)] ^ tables[1536 + ((c >>> 8) & 255)] ^ tables[1280 + ((c >>> 16) & 255)] ^ tables[1024 + (c >>> 24)] ^
      tables[768 + bytes[i + 4]] ^ tables[512 + bytes[i + 5]] ^ tables[256 + bytes[i + 6]] ^ tables[bytes[i + 7]];
  }
  for (; i < to; i++) c = tables[(c ^ bytes[i]) & 255] ^ (c >>> 8);
  return ~c >>> 0;
}
