// PNG files whose lines come from workers that inflate them (inflate.js), several files at the same time.
import { Stream } from "./files.js";

const helpers = [];
const waiting = [];
let count = 0;

// lines returns a stream of what plate/inpart_js.go reads, or null where the library must read the file, a Blob. Files are
// inflated in the order in which they are asked for.
export async function lines(file) {
  if (!(file instanceof Blob) || typeof DecompressionStream === "undefined") return null;
  return new Promise((resolve) => {
    waiting.push({ id: ++count, file, resolve, stream: null });
    begin();
  });
}

// drop ends all that is under way.
export function drop() {
  for (const job of waiting.splice(0)) job.resolve(null);
  for (const helper of helpers) if (helper.job) helper.port.postMessage({ cancel: helper.job.id });
}

function begin() {
  while (waiting.length) {
    let helper = helpers.find((h) => !h.job);
    if (!helper) {
      if (helpers.length >= Math.min(2, navigator.hardwareConcurrency || 2)) return;
      helper = { port: new Worker(new URL("./inflate.js", import.meta.url), { type: "module" }), job: null };
      helper.port.onmessage = ({ data }) => answered(helper, data);
      helper.port.onerror = () => answered(helper, { wrong: "the worker could not start" });
      helpers.push(helper);
    }
    helper.job = waiting.shift();
    const { id, file } = helper.job;
    helper.port.postMessage({ id, file });
  }
}

function answered(helper, { head, size, piece, done, wrong }) {
  const { job } = helper;
  if (head) {
    job.stream = new Stream(size);
    job.stream.push(head);
    job.resolve(job.stream);
  } else if (piece) {
    job.stream.push(piece);
  } else if (done || wrong) {
    helper.job = null;
    if (wrong) {
      job.stream?.fail(wrong);
      job.resolve(null);
    }
    begin();
  }
}
