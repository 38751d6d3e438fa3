// A file of the worker's file system that comes in pieces, and the errors that Go knows by their
// codes.

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

// A Stream is a file that comes in pieces; those that are there can be read.
export class Stream {
  /** @type {Uint8Array[]} */
  pieces = [];
  /** @type {number[]} */
  ends = []; // of the pieces, in the file
  /** @type {(() => void)[]} */
  waiting = [];
  /** @type {Failure | null} */
  failed = null;

  /** @param {number} length */
  constructor(length) {
    this.length = length;
  }

  /** @param {Uint8Array} piece */
  push(piece) {
    this.pieces.push(piece);
    this.ends.push((this.ends.at(-1) ?? 0) + piece.length);
    for (const go of this.waiting.splice(0)) go();
  }

  /** @param {string} text */
  fail(text) {
    this.failed = failure("EIO", text);
    for (const go of this.waiting.splice(0)) go();
  }

  /**
   * view returns bytes from a place on, without a copy, as many as one piece has, or null where
   * there are none yet.
   * @param {number} from
   * @param {number} to
   */
  view(from, to) {
    const k = this.ends.findLastIndex((end) => end <= from) + 1;
    if (this.failed || (k === this.pieces.length && from < this.length)) return null; // read says what is wrong
    const at = from - (this.ends[k - 1] ?? 0);
    return this.pieces[k]?.subarray(at, at + to - from) ?? new Uint8Array(0);
  }

  /**
   * read copies what there is from a place on, once there is something, and tells how much.
   * @param {Uint8Array} to
   * @param {number} from
   * @param {(error: Failure | null, n?: number) => void} callback
   * @returns {void}
   */
  read(to, from, callback) {
    if (this.failed) return callback(this.failed);
    const end = this.ends.at(-1) ?? 0;
    if (from >= end && from < this.length) {
      this.waiting.push(() => this.read(to, from, callback));
      return;
    }
    let n = 0;
    let k = this.ends.findLastIndex((end) => end <= from) + 1;
    for (; n < to.length && k < this.pieces.length; k++) {
      const piece = this.pieces[k];
      const at = from + n - (this.ends[k] - piece.length);
      const part = piece.subarray(at, at + to.length - n);
      to.set(part, n);
      n += part.length;
    }
    callback(null, n);
  }
}
