// The calls that Go's package os makes, those of Node's fs, over the worker's files: so a take is
// opened in the browser as it is on disk.
import { failure } from "./stream.js";

/** @typedef {import("./stream.js").Failure} Failure */
/** @typedef {import("./files.js").Node} Node */
/** @typedef {{node: Node, bytes: Uint8Array | null, at: number}} Open a file that is open, its source's bytes, and where it is read next */

/**
 * @template T
 * @typedef {(error: Failure | null, result?: T) => void} Callback
 */

/** @typedef {(fd: number, buffer: Uint8Array, offset: number, length: number, position: number | null, callback: Callback<number>) => void} Transfer */

const O = { RDONLY: 0, WRONLY: 1, RDWR: 2, CREAT: 0o100, EXCL: 0o200, TRUNC: 0o1000, APPEND: 0o2000, DIRECTORY: 0o200000 }; // Linux's

const decoder = new TextDecoder();
const print = (/** @type {Uint8Array} */ bytes) => console.error(decoder.decode(bytes).trimEnd());

/**
 * fsOf returns the functions that Go calls. Each tells its callback synchronously where it can:
 * that saves a turn of the event loop for every few kilobytes.
 * @param {import("./files.js").Files} files
 */
export function fsOf(files) {
  /** @type {Map<number, Open>} */
  const open = new Map(); // by the file's number
  let next = 3; // the first three are taken
  const opened = (/** @type {number} */ fd) => {
    const f = open.get(fd);
    if (!f) throw failure("EBADF");
    return f;
  };
  const remove = plain((/** @type {string} */ path) => {
    const { folder, name } = files.parent(path);
    if (!folder?.delete(name)) throw failure("ENOENT");
  });
  const stat = plain((/** @type {string} */ path) => status(files.find(path)));
  const nothing = plain(() => {});
  const missing = (/** @type {unknown[]} */ ...args) => /** @type {Callback<void>} */ (args.at(-1))(failure("ENOSYS"));

  const readPlain = plain((/** @type {Open} */ f, /** @type {Uint8Array} */ to, /** @type {number | null} */ position) => {
    const from = position ?? f.at;
    const bytes = f.bytes ?? f.node.bytes;
    if (!bytes) throw failure("EISDIR");
    const n = Math.max(0, Math.min(to.length, (f.bytes ? bytes.length : f.node.size) - from));
    to.set(bytes.subarray(from, from + n));
    if (position === null) f.at += n;
    return n;
  });

  const writePlain = plain((/** @type {number} */ fd, /** @type {Uint8Array} */ bytes, /** @type {number | null} */ position) => {
    if (fd === 1 || fd === 2) {
      print(bytes);
      return bytes.length;
    }
    const f = opened(fd);
    const { node } = f;
    const from = position ?? f.at;
    const end = from + bytes.length;
    if (!node.bytes) throw failure("EBADF");
    if (end > node.bytes.length) {
      const more = new Uint8Array(Math.max(end, 2 * node.bytes.length));
      more.set(node.bytes.subarray(0, node.size));
      node.bytes = more;
    }
    node.bytes.set(bytes, from);
    node.size = Math.max(node.size, end);
    if (position === null) f.at = end;
    return bytes.length;
  });

  /** @type {Transfer} */
  const read = (fd, buffer, offset, length, position, callback) => {
    const f = open.get(fd);
    if (!f) return callback(failure("EBADF"));
    readPlain(f, buffer.subarray(offset, offset + length), position, callback);
  };
  /** @type {Transfer} */
  const write = (fd, buffer, offset, length, position, callback) => writePlain(fd, buffer.subarray(offset, offset + length), position, callback);

  return {
    constants: Object.fromEntries(Object.entries(O).map(([name, value]) => [`O_${name}`, value])),
    writeSync: (/** @type {number} */ _fd, /** @type {Uint8Array} */ bytes) => (print(bytes), bytes.length),
    open: (/** @type {string} */ path, /** @type {number} */ flags, /** @type {number} */ _mode, /** @type {Callback<number>} */ callback) => {
      const found = files.find(path);
      const { folder, name } = files.parent(path);
      if (found && flags & O.CREAT && flags & O.EXCL) return callback(failure("EEXIST"));
      if (!found && !(folder && flags & O.CREAT)) return callback(failure("ENOENT"));
      /** @type {Node} */
      const node = found ?? { bytes: new Uint8Array(0), size: 0 };
      if (!found) folder?.set(name, node);
      if (flags & O.TRUNC && node.bytes) node.size = 0;
      const done = (/** @type {Uint8Array | null} */ bytes) => {
        open.set(next, { node, bytes, at: 0 });
        callback(null, next++);
      };
      if (!node.source) return done(null);
      files.load(path, node.source).then(
        (bytes) => {
          node.size = bytes.length;
          done(bytes);
        },
        (error) => callback(error.code ? error : failure("EIO", error.message)),
      );
    },
    close: plain((/** @type {number} */ fd) => {
      const { bytes } = open.get(fd) ?? {};
      open.delete(fd);
      if (bytes) files.closed(bytes);
    }),
    read,
    write,
    // view is not one of Node's: the engine reads by it what is held here, without a copy
    // (wasm/engine/files.go).
    view: (/** @type {number} */ fd, /** @type {number} */ from, /** @type {number} */ to) => {
      const { bytes, node } = open.get(fd) ?? {};
      return (bytes ?? node?.bytes?.subarray(0, node.size))?.subarray(from, to) ?? null;
    },
    stat,
    lstat: stat,
    fstat: plain((/** @type {number} */ fd) => {
      const { node, bytes } = opened(fd);
      return status(node, bytes?.length);
    }),
    readdir: plain((/** @type {string} */ path) => {
      const node = files.find(path);
      if (!node) throw failure("ENOENT");
      if (!node.folder) throw failure("ENOTDIR");
      return [...node.folder.keys()];
    }),
    mkdir: plain((/** @type {string} */ path) => {
      const { folder, name } = files.parent(path);
      if (!folder) throw failure("ENOENT");
      if (folder.has(name)) throw failure("EEXIST");
      folder.set(name, { folder: new Map(), size: 0 });
    }),
    rename: plain((/** @type {string} */ from, /** @type {string} */ to) => {
      const { folder, name } = files.parent(from);
      const { folder: target, name: as } = files.parent(to);
      const node = folder?.get(name);
      if (!folder || !node || !target) throw failure("ENOENT");
      target.set(as, node);
      folder.delete(name);
    }),
    unlink: remove,
    rmdir: remove,
    ftruncate: plain((/** @type {number} */ fd, /** @type {number} */ length) => void (opened(fd).node.size = length)),
    fsync: nothing,
    chmod: nothing,
    fchmod: nothing,
    utimes: nothing,
    ...Object.fromEntries(["chown", "fchown", "lchown", "link", "readlink", "symlink", "truncate"].map((name) => [name, missing])),
  };
}

/**
 * plain makes a function as Node's fs has it, whose last argument is a callback, of one that
 * returns or throws.
 * @template {unknown[]} A
 * @template R
 * @param {(...args: A) => R} work
 */
function plain(work) {
  return (/** @type {[...A, Callback<R>]} */ ...all) => {
    const callback = /** @type {Callback<R>} */ (all.pop());
    let result;
    try {
      result = work(.../** @type {A} */ (/** @type {unknown} */ (all)));
    } catch (error) {
      const failed = /** @type {Failure} */ (error);
      callback(failed.code ? failed : failure("EIO", failed.message));
      return;
    }
    callback(null, result);
  };
}

/**
 * @param {Node | undefined} node
 * @param {number} [size] where it is another than the node's
 */
function status(node, size) {
  if (!node) throw failure("ENOENT");
  return {
    dev: 0, ino: 0, nlink: 1, uid: 0, gid: 0, rdev: 0, blksize: 4096, blocks: 0,
    mode: node.folder ? 0o40777 : 0o100666,
    size: size ?? node.size,
    atimeMs: 0, mtimeMs: 0, ctimeMs: 0,
    isDirectory: () => !!node.folder,
  };
}
