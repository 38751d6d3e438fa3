// The worker's file system: what was dropped, under names of the page's choosing, and what the engine writes.
// It has the calls that Go's package os makes (those of Node's fs), so a take is opened in the browser as it is
// on disk. A source is a Blob, bytes, or a function that returns a promise of either: a clip's frame is decoded
// when it is opened.

const codes = { ENOENT: "no such file", EEXIST: "file exists", ENOTDIR: "not a folder", EISDIR: "a folder", EBADF: "not open", EIO: "cannot be read", ENOSYS: "not there", ECANCELED: "no longer wanted" };

function failure(code, cause) {
  const error = new Error(cause ? `${codes[code]}: ${cause}` : codes[code]);
  error.code = code;
  return error;
}

const O = { RDONLY: 0, WRONLY: 1, RDWR: 2, CREAT: 0o100, EXCL: 0o200, TRUNC: 0o1000, APPEND: 0o2000, DIRECTORY: 0o200000 };

// A Stream is a file that comes in pieces; those that are there can be read.
export class Stream {
  constructor(length) {
    this.length = length;
    this.pieces = [];
    this.ends = [];
    this.waiting = [];
  }

  push(piece) {
    this.pieces.push(piece);
    this.ends.push((this.ends.at(-1) ?? 0) + piece.length);
    for (const go of this.waiting.splice(0)) go();
  }

  fail(text) {
    this.failed = failure("EIO", text);
    for (const go of this.waiting.splice(0)) go();
  }

  // view returns bytes from a place on, without a copy, as many as one piece has, or null where there are none yet.
  view(from, to) {
    const k = this.ends.findLastIndex((end) => end <= from) + 1;
    if (this.failed || (k === this.pieces.length && from < this.length)) return null; // read says what is wrong
    const at = from - (this.ends[k - 1] ?? 0);
    return this.pieces[k]?.subarray(at, at + to - from) ?? new Uint8Array(0);
  }

  // read copies what there is from a place on, once there is something, and tells how much.
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

export class Files {
  constructor() {
    this.root = { folder: new Map() };
    this.open = new Map();
    this.next = 3;
    this.early = new Map(); // path -> promise of its bytes
    this.stopped = false; // whatever is opened now fails
  }

  // ready begins to load files at the same time, each as make(source, path) has it, before they are opened. It forgets those of before.
  ready(paths, make) {
    this.early = new Map();
    for (const path of paths) {
      const source = this.find(path)?.source;
      if (!source) continue;
      const bytes = make(source, path);
      bytes.catch(() => {}); // whoever opens it is told
      this.early.set(path, bytes);
    }
  }

  // put lays a source under an absolute path, and makes the folders above it.
  put(path, source) {
    const names = split(path);
    const last = names.pop();
    let at = this.root;
    for (const name of names) {
      if (!at.folder.has(name)) at.folder.set(name, { folder: new Map() });
      at = at.folder.get(name);
      if (!at.folder) throw failure("ENOTDIR");
    }
    this.early.delete(path);
    at.folder.set(last, source instanceof Uint8Array ? { bytes: source, size: source.length } : { source, size: source.size ?? 0 });
  }

  // clear takes everything out of a folder.
  clear(path) {
    const node = this.find(path);
    if (node?.folder) node.folder.clear();
  }

  find(path) {
    let at = this.root;
    for (const name of split(path)) at = at?.folder?.get(name);
    return at;
  }

  parent(path) {
    const names = split(path);
    const name = names.pop();
    return [this.find("/" + names.join("/"))?.folder, name];
  }

  // fs returns the functions that Go calls. Each tells its callback synchronously where it can: that saves a turn
  // of the event loop for every few kilobytes.
  fs() {
    const plain = (work) => (...args) => {
      const callback = args.pop();
      let result;
      try {
        result = work(...args);
      } catch (error) {
        callback(error.code ? error : failure("EIO", error.message));
        return;
      }
      callback(null, result);
    };
    const remove = plain((path) => {
      const [folder, name] = this.parent(path);
      if (!folder?.delete(name)) throw failure("ENOENT");
    });
    const readPlain = plain((fd, buffer, offset, length, position) => {
      const f = this.opened(fd);
      const from = position ?? f.at;
      const bytes = f.bytes ?? f.node.bytes;
      if (!bytes) throw failure("EISDIR");
      const n = Math.max(0, Math.min(length, (f.bytes ? bytes.length : f.node.size) - from));
      buffer.set(bytes.subarray(from, from + n), offset);
      if (position === null) f.at += n;
      return n;
    });
    const decoder = new TextDecoder();
    return {
      constants: { O_RDONLY: O.RDONLY, O_WRONLY: O.WRONLY, O_RDWR: O.RDWR, O_CREAT: O.CREAT, O_EXCL: O.EXCL, O_TRUNC: O.TRUNC, O_APPEND: O.APPEND, O_DIRECTORY: O.DIRECTORY },
      writeSync: (fd, bytes) => (console.error(decoder.decode(bytes).trimEnd()), bytes.length),
      open: (path, flags, mode, callback) => {
        let node = this.find(path);
        try {
          if (!node) {
            if (!(flags & O.CREAT)) throw failure("ENOENT");
            const [folder, name] = this.parent(path);
            if (!folder) throw failure("ENOENT");
            node = { bytes: new Uint8Array(0), size: 0 };
            folder.set(name, node);
          } else if (flags & O.CREAT && flags & O.EXCL) {
            throw failure("EEXIST");
          }
          if (flags & O.TRUNC && node.bytes) node.size = 0;
        } catch (error) {
          callback(error);
          return;
        }
        const done = (bytes) => {
          const fd = this.next++;
          this.open.set(fd, { node, bytes, at: 0 });
          callback(null, fd);
        };
        if (!node.source) return done(null);
        (this.early.get(path) ?? load(node.source)).then(
          // Between two files the worker hears whether the frame is wanted at all.
          (bytes) => turn(() => {
            if (this.stopped) return callback(failure("ECANCELED"));
            node.size = bytes.length;
            done(bytes);
          }),
          (error) => callback(failure("EIO", error.message)),
        );
      },
      close: plain((fd) => void this.open.delete(fd)),
      read: (fd, buffer, offset, length, position, callback) => {
        const f = this.open.get(fd);
        if (f?.bytes instanceof Stream) f.bytes.read(buffer.subarray(offset, offset + length), position, callback);
        else readPlain(fd, buffer, offset, length, position, callback);
      },
      // view is not one of Node's: package plate reads by it what is there, without a copy (plate/file_js.go).
      view: (fd, from, to) => {
        const { bytes, node } = this.open.get(fd) ?? {};
        if (bytes instanceof Stream) return bytes.view(from, to);
        return (bytes ?? node?.bytes?.subarray(0, node.size))?.subarray(from, to) ?? null;
      },
      write: (fd, buffer, offset, length, position, callback) => {
        if (fd === 1 || fd === 2) {
          console.error(decoder.decode(buffer.subarray(offset, offset + length)).trimEnd());
          return callback(null, length);
        }
        plain(() => {
          const f = this.opened(fd);
          const from = position ?? f.at;
          const node = f.node;
          if (!node.bytes) throw failure("EBADF");
          if (from + length > node.bytes.length) {
            const more = new Uint8Array(Math.max(from + length, 2 * node.bytes.length));
            more.set(node.bytes.subarray(0, node.size));
            node.bytes = more;
          }
          node.bytes.set(buffer.subarray(offset, offset + length), from);
          node.size = Math.max(node.size, from + length);
          if (position === null) f.at = from + length;
          return length;
        })(callback);
      },
      stat: plain((path) => status(this.find(path))),
      lstat: plain((path) => status(this.find(path))),
      fstat: plain((fd) => {
        const f = this.opened(fd);
        return status(f.node, f.bytes?.length);
      }),
      readdir: plain((path) => {
        const node = this.find(path);
        if (!node) throw failure("ENOENT");
        if (!node.folder) throw failure("ENOTDIR");
        return [...node.folder.keys()];
      }),
      mkdir: plain((path) => {
        const [folder, name] = this.parent(path);
        if (!folder) throw failure("ENOENT");
        if (folder.has(name)) throw failure("EEXIST");
        folder.set(name, { folder: new Map() });
      }),
      rename: plain((from, to) => {
        const [folder, name] = this.parent(from);
        const [target, as] = this.parent(to);
        if (!folder?.has(name) || !target) throw failure("ENOENT");
        target.set(as, folder.get(name));
        folder.delete(name);
      }),
      unlink: remove,
      rmdir: remove,
      ftruncate: plain((fd, length) => void (this.opened(fd).node.size = length)),
      fsync: plain(() => {}),
      chmod: plain(() => {}),
      fchmod: plain(() => {}),
      utimes: plain(() => {}),
      ...Object.fromEntries(
        ["chown", "fchown", "lchown", "link", "readlink", "symlink", "truncate"].map((name) => [name, (...args) => args.at(-1)(failure("ENOSYS"))]),
      ),
    };
  }

  opened(fd) {
    const f = this.open.get(fd);
    if (!f) throw failure("EBADF");
    return f;
  }
}

function split(path) {
  const out = [];
  for (const name of path.split("/")) {
    if (name === "..") out.pop();
    else if (name && name !== ".") out.push(name);
  }
  return out;
}

// turn calls do after the messages that have come.
const turns = new MessageChannel();
const waiting = [];
turns.port2.onmessage = () => waiting.shift()();
function turn(act) {
  waiting.push(act);
  turns.port1.postMessage(0);
}

export async function load(source) {
  if (typeof source === "function") source = await source();
  return source instanceof Uint8Array ? source : new Uint8Array(await source.arrayBuffer());
}

function status(node, size) {
  if (!node) throw failure("ENOENT");
  return {
    dev: 0, ino: 0, nlink: 1, uid: 0, gid: 0, rdev: 0, blksize: 4096, blocks: 0,
    mode: node.folder ? 0o40777 : 0o100666,
    size: size ?? node.size ?? 0,
    atimeMs: 0, mtimeMs: 0, ctimeMs: 0,
    isDirectory: () => !!node.folder,
  };
}
