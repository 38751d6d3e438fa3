// The worker's files: what was dropped, under names of the page's choosing, and what the engine
// writes. A source is loaded when it is opened: a clip's frame is decoded then.
import { failure, Stream, turn } from "./stream.js";

/** @typedef {Blob | Uint8Array} Plain */
/** @typedef {Plain | (() => Promise<Plain>) | Pixels} Source */
/** @typedef {Omit<Decoded, "stream"> & {data: Uint8Array<ArrayBuffer>}} Pixels a picture that was never a file: a camera's */
/** @typedef {import("./stream.js").Decoded} Decoded */
/** @typedef {{folder?: Map<string, Node>, bytes?: Uint8Array, source?: Exclude<Source, Pixels>, pixels?: Pixels, size: number}} Node a folder, bytes or pixels that are here, or a source */

export class Files {
  stopped = false; // whatever is opened now fails
  /** @type {Node} */
  #root = { folder: new Map(), size: 0 };
  /** @type {Map<string, Promise<Decoded | Uint8Array>>} */
  #prefetched = new Map(); // by path
  /** @type {Set<Uint8Array>} */
  #held = new Set(); // bytes of these that are here

  /**
   * prefetch begins to load files at the same time, each as make has it, before they are opened. It
   * forgets those of before, which nothing may read any more.
   * @param {string[]} paths
   * @param {(source: Exclude<Source, Pixels>, path: string) => Promise<Decoded | Uint8Array>} make
   */
  prefetch(paths, make) {
    this.#prefetched = new Map();
    for (const bytes of this.#held) free(bytes);
    const held = (this.#held = new Set());
    for (const path of paths) {
      const source = this.find(path)?.source;
      if (!source) continue;
      const made = make(source, path);
      this.#prefetched.set(path, made);
      made.then((it) => {
        if (!(it instanceof Uint8Array)) return;
        if (held === this.#held) held.add(it);
        else free(it);
      }, () => {}); // whoever opens it is told
    }
  }

  /**
   * closed says that a file is read no more.
   * @param {Uint8Array} bytes that load returned
   */
  closed(bytes) {
    if (!this.#held.has(bytes)) free(bytes);
  }

  /**
   * load returns the bytes of a source. Between two files the worker hears whether the frame is wanted
   * at all.
   * @param {string} path
   * @param {Exclude<Source, Pixels>} source
   */
  async load(path, source) {
    const it = await this.#prefetched.get(path);
    const bytes = it instanceof Uint8Array ? it : await load(source);
    await turn();
    if (this.stopped) throw failure("ECANCELED");
    return bytes;
  }

  /**
   * decoded tells what a file was decoded to when it was prefetched, or what a picture's pixels are, or null: then
   * it is to be opened.
   * @param {string} path
   * @param {(error: string | null, decoded: Decoded | null) => void} callback
   */
  async decoded(path, callback) {
    const pixels = this.find(path)?.pixels;
    if (pixels) return callback(null, { ...pixels, stream: new Stream(pixels.data.length, pixels.data) });
    const it = await this.#prefetched.get(path)?.catch(() => null); // whoever opens it is told
    if (!it || it instanceof Uint8Array) return callback(null, null);
    await turn();
    callback(this.stopped ? failure("ECANCELED").message : null, it);
  }

  /**
   * put lays a source under an absolute path, and makes the folders above it.
   * @param {string} path
   * @param {Source} source
   */
  put(path, source) {
    const names = split(path);
    const last = names.pop() ?? "";
    let { folder } = this.#root;
    for (const name of names) {
      const next = folder?.get(name) ?? { folder: new Map(), size: 0 };
      folder?.set(name, next);
      folder = next.folder;
    }
    if (!folder) throw failure("ENOTDIR");
    this.#prefetched.delete(path);
    if ("data" in source) folder.set(last, { pixels: source, size: source.data.length });
    else folder.set(last, source instanceof Uint8Array ? { bytes: source, size: source.length } : { source, size: source instanceof Blob ? source.size : 0 });
  }

  /**
   * clear takes everything out of a folder.
   * @param {string} path
   */
  clear(path) {
    this.find(path)?.folder?.clear();
  }

  /** @param {string} path */
  find(path) {
    /** @type {Node | undefined} */
    let at = this.#root;
    for (const name of split(path)) at = at?.folder?.get(name);
    return at;
  }

  /**
   * parent returns the folder that a path is in, if there is one, and its name there.
   * @param {string} path
   */
  parent(path) {
    const names = split(path);
    const name = names.pop() ?? "";
    return { folder: this.find("/" + names.join("/"))?.folder, name };
  }
}

/**
 * free gives up memory that was a source's bytes, which would stay until the browser looks for what is unused.
 * @param {Uint8Array} bytes
 */
const free = (bytes) => void (bytes.buffer instanceof ArrayBuffer && bytes.buffer.transfer?.(0));

/** @param {string} path */
function split(path) {
  const out = [];
  for (const name of path.split("/")) {
    if (name === "..") out.pop();
    else if (name && name !== ".") out.push(name);
  }
  return out;
}

/**
 * load returns a source's bytes.
 * @param {Exclude<Source, Pixels>} source
 */
export async function load(source) {
  const file = typeof source === "function" ? await source() : source;
  return file instanceof Uint8Array ? file : new Uint8Array(await file.arrayBuffer());
}
