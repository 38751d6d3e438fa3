// Takes that are kept on this machine, to go back to after a reload: a take's files where there is room,
// else their names, and its recipe. They lie in the browser's own storage and leave it for nowhere.

/** @typedef {import("./sort.js").Dropped} Dropped */
/** @typedef {import("./state.js").State} State */

/**
 * @typedef {object} Kept a take
 * @property {string} id
 * @property {string} name
 * @property {number} time when it was opened last, in ms
 * @property {Record<string, unknown>} recipe
 * @property {Record<string, {path: string, size: number}[]>} plates by place
 * @property {number} bytes of its files
 * @property {boolean} held its files are kept, not their names alone
 * @property {import("./operations.js").Prepared} [found] what was estimated of it, with this recipe
 */

const database = "twinplate";
const part = 0.5; // of what the browser lets the page have, that one take may take

/** @returns {Promise<IDBDatabase>} */
const opened = () => new Promise((resolve, reject) => {
  const request = indexedDB.open(database, 1);
  request.onupgradeneeded = () => {
    request.result.createObjectStore("takes", { keyPath: "id" });
    request.result.createObjectStore("files"); // by take, place and number
  };
  request.onsuccess = () => resolve(request.result);
  request.onerror = () => reject(request.error);
});

/**
 * run runs one transaction and resolves to what its work asks for, once all is on disk.
 * @template T
 * @param {IDBTransactionMode} mode
 * @param {(takes: IDBObjectStore, files: IDBObjectStore) => IDBRequest<T>} work
 * @returns {Promise<T>}
 */
async function run(mode, work) {
  const db = await opened();
  try {
    return await new Promise((resolve, reject) => {
      const transaction = db.transaction(["takes", "files"], mode);
      const request = work(transaction.objectStore("takes"), transaction.objectStore("files"));
      transaction.oncomplete = () => resolve(request.result);
      transaction.onerror = transaction.onabort = () => reject(transaction.error ?? request.error);
    });
  } finally {
    db.close();
  }
}

/**
 * list returns the takes that are kept, the latest first.
 * @returns {Promise<Kept[]>}
 */
export const list = async () => (await run("readonly", (takes) => takes.getAll())).sort((one, other) => other.time - one.time);

/**
 * droppedOf returns a take's files as they were given: of a clip the file, not its frames.
 * @param {State["wells"]} wells
 */
function droppedOf(wells) {
  /** @type {Record<string, Dropped[]>} */
  const out = {};
  for (const [well, entries] of Object.entries(wells)) {
    if (well === "green") continue;
    const files = new Map(entries.map((e) => [e.clip?.file ?? e.file, { path: e.from ?? e.path ?? e.name, file: /** @type {File} */ (e.clip?.file ?? e.file) }]));
    if (files.size) out[well] = [...files.values()];
  }
  return out;
}

/**
 * keep keeps a take. One of the same color and band plates is replaced; where all its files are the same,
 * they are not written again.
 * @param {string} name
 * @param {Pick<State, "wells" | "recipe" | "ready">} value
 * @returns {Promise<{id: string, why: string}>} why its files are not kept; "" where they are
 */
export async function keep(name, { wells, recipe, ready }) {
  const given = droppedOf(wells);
  const all = Object.values(given).flat();
  const bytes = all.reduce((n, { file }) => n + file.size, 0);
  const plates = Object.fromEntries(Object.entries(given).map(([well, files]) => [well, files.map(({ path, file }) => ({ path, size: file.size }))]));
  const alike = (/** @type {unknown} */ one, /** @type {unknown} */ other) => JSON.stringify(one) === JSON.stringify(other);
  const before = (await list()).find((take) => alike(take.plates.color, plates.color) && alike(take.plates.band, plates.band));
  const id = before?.id ?? crypto.randomUUID();
  const same = !!before?.held && alike(before.plates, plates);
  const { quota = 0, usage = 0 } = (await navigator.storage?.estimate?.()) ?? {};
  const room = part * (quota - usage);
  let why = same || bytes < room ? "" : `its files have ${megabytes(bytes)}, and this browser has room for ${megabytes(room)}`;
  /** @type {Kept} */
  const take = { id, name, time: Date.now(), recipe, plates, bytes, held: !why, found: ready ?? undefined };
  const put = () => run("readwrite", (takes, files) => {
    if (!same) files.delete(range(id));
    if (!same && take.held) for (const [well, some] of Object.entries(given)) some.forEach(({ file }, i) => files.put(file, [id, well, i]));
    return takes.put(take);
  });
  try {
    await put();
  } catch (error) { // no room after all
    [why, take.held] = [String(error), false];
    await put();
  }
  return { id, why };
}

/** @param {string} id */
const range = (id) => IDBKeyRange.bound([id], [id, []]); // an array is after all words

/**
 * files returns a kept take's files, by place.
 * @param {Kept} take
 * @returns {Promise<Map<string, Dropped[]>>}
 */
export async function files({ id, plates }) {
  /** @type {Map<string, Dropped[]>} */
  const out = new Map();
  for (const [well, some] of Object.entries(plates)) {
    /** @type {File[]} */
    const stored = await run("readonly", (_, files) => files.getAll(IDBKeyRange.bound([id, well], [id, well, []])));
    if (stored.length !== some.length) throw new Error(`of the ${some.length} files of ${well} ${stored.length} are kept: give them again`);
    out.set(well, some.map(({ path }, i) => ({ path, file: stored[i] })));
  }
  return out;
}

/**
 * forget takes a kept take away, or all.
 * @param {string} [id]
 */
export async function forget(id) {
  await run("readwrite", (takes, files) => {
    files.delete(id ? range(id) : IDBKeyRange.lowerBound([]));
    return takes.delete(id ?? IDBKeyRange.lowerBound(""));
  });
}

/** @param {number} n bytes */
export const megabytes = (n) => `${(n / 1e6).toFixed(n < 1e7 ? 1 : 0)} MB`;
