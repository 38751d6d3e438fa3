// What the browser decodes, which comes in pieces, and the errors that Go knows by their codes.

/** @typedef {Error & {code: string}} Failure as Node's fs has it */

/** @type {Record<string, string>} */
const codes = { ENOENT: "no such file", EEXIST: "file exists", ENOTDIR: "not a folder", EISDIR: "a folder", EBADF: "not open", EIO: "cannot be read", ENOSYS: "not there", ECANCELED: "no longer wanted" };

/**
 * @param {string} code
 * @param {string} [cause]
 * @returns {Failure}
 */
export function failure(code, cause) {
  return Object.assign(new Error(cause ? `${codes[code]}: ${cause}` : codes[code]), { code });
}

/**
 * A Decoded picture is what the engine reads in place of a file (wasm/engine/files.go): "420" are the
 * planes of Y', Cb and Cr, "rgbx" four bytes a pixel, "rgb16" six, and "lines" a PNG file's lines with their filters
 * and their Adler-32.
 * @typedef {{format: string, width: number, height: number, color: boolean, depth: number, planes: "420" | "rgbx" | "rgb16" | "lines", stream: Stream}} Decoded
 */

// turn waits for the messages that have come.
const turns = new MessageChannel();
/** @type {(() => void)[]} */
const waiting = [];
turns.port2.onmessage = () => waiting.shift()?.();
/** @returns {Promise<void>} */
export const turn = () => new Promise((resolve) => {
  waiting.push(resolve);
  turns.port1.postMessage(0);
});

// A Stream is bytes that come in pieces; those that are here can be read.
export class Stream {
  /** @type {Uint8Array[]} */
  pieces = [];
  /** @type {number[]} */
  ends = []; // of the pieces, in the file
  /** @type {(() => void)[]} */
  waiting = [];
  /** @type {string | null} */
  failed = null;

  /**
   * @param {number} length
   * @param {Uint8Array[]} pieces those that are here
   */
  constructor(length, ...pieces) {
    this.length = length;
    for (const piece of pieces) this.push(piece);
  }

  /** @param {Uint8Array} piece */
  push(piece) {
    this.pieces.push(piece);
    this.ends.push((this.ends.at(-1) ?? 0) + piece.length);
    for (const go of this.waiting.splice(0)) go();
  }

  /** @param {string} text */
  fail(text) {
    this.failed = text;
    for (const go of this.waiting.splice(0)) go();
  }

  /**
   * view returns bytes from a place on, without a copy, as many as one piece has, none at the end, or
   * null where they have not come.
   * @param {number} from
   * @param {number} to
   */
  view(from, to) {
    const k = this.ends.findLastIndex((end) => end <= from) + 1;
    if (this.failed || (k === this.pieces.length && from < this.length)) return null;
    const at = from - (this.ends[k - 1] ?? 0);
    return this.pieces[k]?.subarray(at, at + to - from) ?? new Uint8Array(0);
  }

  /**
   * wait calls back once view has something from a place on, or says what is wrong.
   * @param {number} from
   * @param {(error: string | null) => void} callback
   * @returns {void}
   */
  wait(from, callback) {
    if (this.failed || this.view(from, from)) callback(this.failed);
    else this.waiting.push(() => this.wait(from, callback));
  }
}
