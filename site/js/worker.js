// One engine in a worker. It is sent the compiled engine once, then the files, then calls; each answer has the id
// of its call.
import { Files, load } from "./files.js";
import { drop, lines } from "./lines.js";
import { again, planes, rough } from "./planes.js";
import { bytes, give } from "./spare.js";

const files = new Files();
files.put("/out/.keep", new Uint8Array(0));
globalThis.fs = files.fs();
globalThis.process = { pid: 1, ppid: 0, getuid: () => 0, getgid: () => 0, geteuid: () => 0, getegid: () => 0, getgroups: () => [], umask: () => 0, cwd: () => "/", chdir() {} };
globalThis.bytes = bytes;
globalThis.path = { resolve: (...parts) => parts.join("/") };

// The engine says which files it will read next, and whether what it gets may differ a little from what the library makes of
// them. It is told whether any may. Then it asks whether any did.
globalThis.early = (paths, quick) => {
  drop();
  again();
  const type = (path) => path.split(".").at(-1).toLowerCase();
  const mayBeRough = (path) => quick && ["jpg", "jpeg", "png"].includes(type(path));
  files.ready(paths, async (source, path) => {
    const file = typeof source === "function" ? await source() : source;
    return (mayBeRough(path) && (await planes(file))) || (type(path) === "png" && (await lines(file))) || load(file);
  });
  return paths.some(mayBeRough);
};
globalThis.rough = rough;

const ready = new Promise((resolve) => (globalThis.engineReady = resolve));

async function start(module) {
  await import(/* @vite-ignore */ new URL("./wasm_exec.js", self.location.href).href);
  const go = new globalThis.Go();
  const instance = await WebAssembly.instantiate(module, go.importObject);
  go.run(instance).then(() => self.postMessage({ fatal: "the engine stopped" }));
  await ready;
}

let started;
let running; // the call that the engine is at

self.onmessage = async ({ data }) => {
  if (data.module) {
    started = start(data.module);
    started.then(() => self.postMessage({ started: true }), (error) => self.postMessage({ fatal: error.message }));
    return;
  }
  if (data.files) {
    await put(data.files);
    return;
  }
  if (data.spare) {
    give(data.spare);
    return;
  }
  if (data.cancel) {
    if (data.cancel !== running) return;
    files.stopped = true;
    drop();
    return;
  }
  const { id, op, args } = data;
  try {
    await started;
    running = id;
    files.stopped = false;
    const { json, buffers } = await globalThis.engine(op, JSON.stringify(args ?? {}));
    self.postMessage({ id, result: JSON.parse(json), buffers }, buffers.map((b) => b.buffer));
  } catch (error) {
    self.postMessage({ id, error: error.message });
  }
};

// put lays files out: {clear: [folders], put: [[path, File | Uint8Array | {url} | {clip, index}]]}. A clip's frame is
// decoded here, when the engine opens it.
async function put({ clear = [], put = [] }) {
  for (const folder of clear) files.clear(folder);
  for (const [path, source] of put) {
    if (source.clip) {
      files.put(path, async () => (await import("./clips.js")).frame(source.clip, source.index));
    } else if (source.url) {
      files.put(path, async () => {
        const response = await fetch(source.url);
        if (!response.ok) throw new Error(`${source.url}: ${response.status}`);
        return response.blob();
      });
    } else {
      files.put(path, source);
    }
  }
}
