// Many files as one: ZIP archives written and read, and frames straight into a folder.
import { Inflate, Zip, ZipPassThrough } from "fflate";
import { messageOf } from "../errors.js";

/** @typedef {{name: string, bytes: Uint8Array<ArrayBuffer>}} Entry a file to be */
/** @typedef {Iterable<Entry> | AsyncIterable<Entry>} Entries */
/** @typedef {{onProgress?: (done: number) => void, signal?: AbortSignal}} How onProgress gets the number of files done; signal ends it */
/** @typedef {{path: string, encrypted: boolean, method: number, packed: number, size: number, offset: number}} Listed a file as the archive lists it */
/** @typedef {(what: string) => Error} Bad makes an error that names the archive */

/**
 * Limits of what is unpacked, so that a small file cannot fill the machine: files; bytes of all of
 * them; and what these may be of the archive's own, from so many bytes on that are free.
 */
const limits = { files: 20000, bytes: 8 * 2 ** 30, ratio: 200, free: 256 << 20 };

const mostFiles = 65535; // an archive without ZIP64 has no more,
const mostBytes = 2 ** 32 - 1; // nor more bytes

/**
 * zip returns an archive of the entries, in their order. They are stored as they are: pictures are
 * compressed already.
 * @param {Entries} entries
 * @param {How} [how]
 */
export async function zip(entries, { onProgress, signal } = {}) {
  /** @type {Uint8Array<ArrayBuffer>[]} */
  let parts = [];
  let blob = new Blob([], { type: "application/zip" });
  let waiting = 0;
  /** @type {Error | null} */
  let failed = null;
  // What is done goes into a Blob, which the browser may put on disk.
  const flush = () => {
    blob = new Blob([blob, ...parts], { type: "application/zip" });
    parts = [];
    waiting = 0;
  };
  const archive = new Zip((error, chunk) => {
    if (error) failed = error;
    else {
      parts.push(/** @type {Uint8Array<ArrayBuffer>} */ (chunk));
      waiting += chunk.length;
    }
  });
  let done = 0;
  let total = 0;
  const names = new Set();
  for await (const { name, bytes } of entries) {
    signal?.throwIfAborted();
    const path = safe(name);
    if (!path) throw new Error(`${JSON.stringify(name)} cannot be a file's name in an archive: it must be like folder/name.png`);
    if (names.has(path)) throw new Error(`two files called ${path}: each needs a name of its own`);
    names.add(path);
    total += bytes.length + 2 * path.length + 256;
    if (total > mostBytes || done >= mostFiles) throw new Error(`more than 4 GB or ${mostFiles} files do not fit into one archive: choose a shorter range, or write into a folder`);
    const entry = new ZipPassThrough(path);
    archive.add(entry);
    entry.push(bytes, true);
    if (failed) throw failed;
    if (waiting > 32 << 20) flush();
    onProgress?.(++done);
  }
  signal?.throwIfAborted();
  archive.end();
  if (failed) throw failed;
  flush();
  return blob;
}

/**
 * unzip returns the files of an archive, in its order, without folders, hidden files and what macOS
 * adds. What is stored is not copied.
 * @param {File} file
 * @param {Partial<typeof limits>} [most] overrides some of the limits
 */
export async function unzip(file, most = {}) {
  const { files, bytes, ratio, free } = { ...limits, ...most };
  const name = file.name || "the archive";
  /** @type {Bad} */
  const bad = (what) => new Error(`${name} cannot be unpacked: ${what}`);
  const list = (await directory(file, bad)).filter((entry) => !entry.path.endsWith("/") && !beside(entry.path));
  const total = list.reduce((n, entry) => n + entry.size, 0);
  if (list.length > files) throw bad(`it has ${list.length} files, and the limit is ${files}: unpack it and drop the folder`);
  if (total > bytes) throw bad(`its files have ${megabytes(total)}, and the limit is ${megabytes(bytes)}: unpack it and drop the folder`);
  if (total > free && total > ratio * file.size) throw bad(`its ${megabytes(total)} come from ${megabytes(file.size)}, more than ${ratio} times as much: that is no archive of pictures`);
  /** @type {import("../page/sort.js").Dropped[]} */
  const out = [];
  for (const entry of list) {
    const path = safe(entry.path);
    if (!path) throw bad(`the path ${JSON.stringify(entry.path)} leads out of it`);
    if (entry.encrypted) throw bad(`${path} is encrypted: unpack it and drop the folder`);
    const packed = await contents(file, entry, bad);
    const options = { lastModified: file.lastModified };
    const base = path.slice(path.lastIndexOf("/") + 1);
    if (entry.method === 0) out.push({ path, file: new File([packed], base, options) });
    else if (entry.method === 8) out.push({ path, file: new File([await inflate(packed, entry, bad)], base, options) });
    else throw bad(`${path} is compressed by method ${entry.method}, and only stored and deflated files can be read`);
  }
  return out;
}

const megabytes = (/** @type {number} */ n) => `${(n / 1e6).toFixed(n < 1e7 ? 1 : 0)} MB`;

/**
 * beside reports whether a file is hidden, or one that macOS adds.
 * @param {string} path
 */
const beside = (path) => path.split(/[/\\]/).some((part) => part === "__MACOSX" || (part.startsWith(".") && part !== "." && part !== ".."));

/**
 * safe returns a path inside the folder that it is put into, or "" where there is none.
 * @param {string} path
 */
function safe(path) {
  const parts = path.replaceAll("\\", "/").split("/").filter((part) => part !== "" && part !== ".");
  return /^(\/|\\|[A-Za-z]:)/.test(path) || parts.includes("..") || path.includes("\0") ? "" : parts.join("/");
}

/**
 * directory reads the central directory (APPNOTE.TXT of the ZIP format, 4.3.12 to 4.3.16): it has
 * the true sizes.
 * @param {File} file
 * @param {Bad} bad
 */
async function directory(file, bad) {
  const view = async (/** @type {number} */ from, /** @type {number} */ to) => new DataView(await file.slice(Math.max(0, from), to).arrayBuffer());
  const tail = Math.max(0, file.size - 65557); // the end record with its longest comment
  const end = await view(tail, file.size);
  let at = end.byteLength - 22;
  while (at >= 0 && end.getUint32(at, true) !== 0x06054b50) at--;
  if (at < 0) throw bad("it is no ZIP archive, or it is cut off");
  let count = end.getUint16(at + 10, true);
  let size = end.getUint32(at + 12, true);
  let start = end.getUint32(at + 16, true);
  const wide = (/** @type {DataView} */ v, /** @type {number} */ offset) => Number(v.getBigUint64(offset, true));
  if (at >= 20 && end.getUint32(at - 20, true) === 0x07064b50) { // ZIP64
    const record = wide(end, at - 12);
    const more = await view(record, record + 56);
    if (more.byteLength < 56 || more.getUint32(0, true) !== 0x06064b50) throw bad("its end is damaged");
    [count, size, start] = [wide(more, 32), wide(more, 40), wide(more, 48)];
  }
  if (start + size > file.size || size > 256 << 20) throw bad("its list of files is damaged");
  const table = await view(start, start + size);
  const decode = new TextDecoder();
  /** @type {Listed[]} */
  const out = [];
  for (let i = 0, p = 0; i < count; i++) {
    if (p + 46 > table.byteLength || table.getUint32(p, true) !== 0x02014b50) throw bad("its list of files is damaged");
    const [length, extra, comment] = [28, 30, 32].map((offset) => table.getUint16(p + offset, true));
    const next = p + 46 + length + extra + comment;
    if (next > table.byteLength) throw bad("its list of files is damaged");
    const entry = {
      path: decode.decode(new Uint8Array(table.buffer, p + 46, length)),
      encrypted: (table.getUint16(p + 8, true) & 1) !== 0,
      method: table.getUint16(p + 10, true),
      packed: table.getUint32(p + 20, true),
      size: table.getUint32(p + 24, true),
      offset: table.getUint32(p + 42, true),
    };
    // A ZIP64 extra field has, in this order, those that do not fit.
    for (let q = p + 46 + length; q + 4 <= next - comment; q += 4 + table.getUint16(q + 2, true)) {
      if (table.getUint16(q, true) !== 1) continue;
      let from = q + 4;
      for (const field of /** @type {const} */ (["size", "packed", "offset"])) {
        if (entry[field] !== 0xffffffff) continue;
        if (from + 8 > next) throw bad("its list of files is damaged");
        entry[field] = wide(table, from);
        from += 8;
      }
    }
    out.push(entry);
    p = next;
  }
  return out;
}

/**
 * contents returns the bytes of an entry as they are in the archive.
 * @param {File} file
 * @param {Listed} entry
 * @param {Bad} bad
 */
async function contents(file, entry, bad) {
  const head = new DataView(await file.slice(entry.offset, entry.offset + 30).arrayBuffer());
  if (head.byteLength < 30 || head.getUint32(0, true) !== 0x04034b50) throw bad(`${entry.path} is not where its list says`);
  const from = entry.offset + 30 + head.getUint16(26, true) + head.getUint16(28, true);
  if (from + entry.packed > file.size) throw bad(`it ends within ${entry.path}`);
  if (entry.method === 0 && entry.packed !== entry.size) throw bad(`${entry.path} has two sizes`);
  return file.slice(from, from + entry.packed);
}

/**
 * inflate unpacks an entry and never holds more than its list says.
 * @param {Blob} packed
 * @param {Listed} entry
 * @param {Bad} bad
 */
async function inflate(packed, entry, bad) {
  const out = new Uint8Array(entry.size);
  let n = 0;
  const stream = new Inflate((chunk) => {
    if (n + chunk.length > out.length) throw bad(`${entry.path} has more than the ${out.length} bytes that its list says`);
    out.set(chunk, n);
    n += chunk.length;
  });
  const step = 64 << 10;
  try {
    for (let at = 0; at < packed.size; at += step) {
      stream.push(new Uint8Array(await packed.slice(at, at + step).arrayBuffer()), at + step >= packed.size);
    }
  } catch (error) {
    const message = messageOf(error);
    throw message.includes(entry.path) ? error : bad(`${entry.path} is damaged (${message})`);
  }
  if (n !== out.length) throw bad(`${entry.path} has ${n} bytes, and its list says ${out.length}`);
  return out;
}

/**
 * intoFolder writes the entries into a folder that the user opened and returns how many. The
 * browser writes each beside its name and moves it there when it is whole, so that an end by signal
 * or an error leaves whole files only.
 * @param {FileSystemDirectoryHandle} handle
 * @param {Entries} entries
 * @param {How} [how]
 */
export async function intoFolder(handle, entries, { onProgress, signal } = {}) {
  let done = 0;
  for await (const { name, bytes } of entries) {
    signal?.throwIfAborted();
    const path = safe(name);
    if (!path) throw new Error(`${JSON.stringify(name)} cannot be a file's name in a folder: it must be like folder/name.png`);
    const above = path.split("/");
    const base = above.pop() ?? "";
    let folder = handle;
    for (const part of above) folder = await folder.getDirectoryHandle(part, { create: true });
    const target = await folder.getFileHandle(base, { create: true });
    let stream;
    try {
      stream = await target.createWritable();
      await stream.write(bytes);
      signal?.throwIfAborted();
      await stream.close();
    } catch (error) {
      await stream?.abort().catch(() => {});
      if ((await target.getFile()).size === 0) await folder.removeEntry(base).catch(() => {});
      if (signal?.aborted) throw signal.reason;
      throw new Error(`${path} cannot be written: ${messageOf(error)}`);
    }
    onProgress?.(++done);
  }
  return done;
}
