// One engine in a worker. It is sent the compiled engine once, then the files, then calls; each
// answer has the id of its call.
import { messageOf } from "../errors.js";
import { program } from "../go.js";
import { Files, load } from "./files.js";
import { fail, frame } from "./frames.js";
import { fsOf } from "./fs.js";
import { drop, lines } from "./lines.js";
import { again, drafts, planes } from "./planes.js";
import { bytes, give } from "./spare.js";

/** @typedef {import("../page/operations.js").About} About */
/** @typedef {{json: string, buffers: Uint8Array<ArrayBuffer>[]}} Answer as the engine gives it */

/** @typedef {import("../page/operations.js").Layout} Layout */

/**
 * What the page sends: one of these, or a call.
 * @typedef {object} Message
 * @property {WebAssembly.Module} [module] the engine, once
 * @property {Layout} [files]
 * @property {string} [undecoded] why no clip can be decoded
 * @property {Uint8Array<ArrayBuffer>[]} [spare] memory of pictures that are done with
 * @property {import("../live/worker/feed.js").Ask} [live] to the live page's feed
 * @property {number} [cancel] the id of a call that may end
 * @property {number} [id] of a call
 * @property {string} [op]
 * @property {object} [args]
 */

/**
 * What the engine finds in a worker, beside what Go's runtime does, and what it puts there.
 * @typedef {object} Scope
 * @property {(paths: string[], quick: boolean) => boolean} prefetch
 * @property {(about: About) => void} engineReady
 * @property {(op: string, args: string) => Promise<Answer>} engine
 * @property {() => void} engineStop
 */

const scope = /** @type {DedicatedWorkerGlobalScope & Scope} */ (/** @type {unknown} */ (globalThis));
/** @type {Promise<About>} */
const ready = new Promise((resolve) => (scope.engineReady = resolve));
let pixels = 0; // that a picture has at most, as the engine says

const files = new Files();
files.put("/out/.keep", new Uint8Array(0));
Object.assign(scope, {
  fs: fsOf(files),
  process: { pid: 1, ppid: 0, getuid: () => 0, getgid: () => 0, geteuid: () => 0, getegid: () => 0, getgroups: () => [], umask: () => 0, cwd: () => "/", chdir() {} },
  path: { resolve: (/** @type {string[]} */ ...parts) => parts.join("/") },
  bytes,
  drafts,
  stage: (/** @type {string} */ stage) => scope.postMessage({ id: running, stage }),
  decoded: files.decoded.bind(files),
});

// The engine says which files it will read next, and whether what it gets may differ a little from
// what the library makes of them. It is told whether any may. Then it asks whether any did.
scope.prefetch = (paths, quick) => {
  drop();
  again();
  const isPNG = (/** @type {string} */ path) => /\.png$/i.test(path);
  const mayBeDraft = (/** @type {string} */ path) => quick && (isPNG(path) || /\.jpe?g$/i.test(path));
  files.prefetch(paths, async (source, path) => {
    const file = typeof source === "function" ? await source() : source;
    return (mayBeDraft(path) && (await planes(file, pixels))) || (isPNG(path) && (await lines(file, pixels))) || load(file);
  });
  return paths.some(mayBeDraft);
};

/** @param {WebAssembly.Module} module */
async function start(module) {
  const go = await program();
  const instance = await WebAssembly.instantiate(module, go.importObject);
  go.run(instance).then(() => scope.postMessage({ fatal: "the engine stopped" }));
  const about = await ready;
  pixels = about.pixels;
  return about;
}

/** @type {Promise<About>} */
let started;
/** @type {Promise<import("../live/worker/feed.js").Feed> | undefined} */
let feed; // of cameras, on the live page
/** @type {number | undefined} */
let running; // the call that the engine is at

scope.onmessage = async (/** @type {MessageEvent<Message>} */ { data }) => {
  if (data.module) {
    started = start(data.module);
    started.then((about) => scope.postMessage({ about }), (error) => scope.postMessage({ fatal: messageOf(error) }));
  } else if (data.files) {
    lay(data.files);
  } else if (data.spare) {
    give(data.spare);
  } else if (data.undecoded) {
    fail(data.undecoded);
  } else if (data.live) {
    feed ??= import("../live/worker/feed.js").then(({ Feed }) => new Feed(files, (op, args) => scope.engine(op, JSON.stringify(args))));
    (await feed).hear(data.live);
  } else if (data.cancel) {
    if (data.cancel !== running) return;
    files.stopped = true;
    scope.engineStop();
    drop();
  } else {
    await call(data);
  }
};

/** @param {Message} message */
async function call({ id, op = "", args = {} }) {
  try {
    await started;
    running = id;
    files.stopped = false;
    const { json, buffers } = await scope.engine(op, JSON.stringify(args));
    scope.postMessage({ id, result: JSON.parse(json), buffers }, buffers.map((b) => b.buffer));
  } catch (error) {
    scope.postMessage({ id, error: messageOf(error) });
  }
}

const connect = (/** @type {MessagePort} */ decoder) => scope.postMessage({ decoder }, [decoder]);

/**
 * lay lays files out. A clip's frame is decoded when the engine opens it.
 * @param {Layout} layout
 */
function lay({ clear = [], put = [] }) {
  for (const folder of clear) files.clear(folder);
  for (const [path, given] of put) {
    if ("clip" in given) {
      files.put(path, () => frame(given.clip, given.index, connect));
    } else if ("url" in given) {
      files.put(path, async () => {
        const response = await fetch(given.url);
        if (!response.ok) throw new Error(`${given.url}: ${response.status}`);
        return response.blob();
      });
    } else {
      files.put(path, given);
    }
  }
}
