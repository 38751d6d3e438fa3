// PNG files whose lines come from workers that inflate them (inflate.js), several files at the same
// time.
import { Stream } from "./stream.js";

/** @typedef {{id: number, file: Blob, pixels: number, resolve: (decoded: Decoded | null) => void, stream: Stream | null}} Job */
/** @typedef {import("./stream.js").Decoded} Decoded */
/** @typedef {{port: Worker, job: Job | null}} Helper */

const mostHelpers = 2; // color plate and band plate

/** @type {Helper[]} */
const helpers = [];
/** @type {Job[]} */
const waiting = [];
let count = 0;

/**
 * lines returns the lines of a file, or null where the library must read it. Files are inflated in the order in which they are asked for.
 * @param {Blob | Uint8Array} file
 * @param {number} pixels that a picture has at most
 * @returns {Promise<Decoded | null>}
 */
export async function lines(file, pixels) {
  if (!(file instanceof Blob) || typeof DecompressionStream === "undefined") return null;
  return new Promise((resolve) => {
    waiting.push({ id: ++count, file, pixels, resolve, stream: null });
    begin();
  });
}

// drop ends all that is under way.
export function drop() {
  for (const job of waiting.splice(0)) job.resolve(null);
  for (const helper of helpers) if (helper.job) helper.port.postMessage({ cancel: helper.job.id });
}

function begin() {
  for (;;) {
    const helper = waiting.length ? freeHelper() : null;
    const job = helper && waiting.shift();
    if (!job) return;
    helper.job = job;
    helper.port.postMessage({ id: job.id, file: job.file, pixels: job.pixels });
  }
}

// freeHelper returns a worker that has nothing to do, or null.
function freeHelper() {
  const free = helpers.find((h) => !h.job);
  if (free || helpers.length >= Math.min(mostHelpers, navigator.hardwareConcurrency || mostHelpers)) return free ?? null;
  /** @type {Helper} */
  const helper = { port: new Worker(new URL("./inflate.js", import.meta.url), { type: "module" }), job: null };
  helper.port.onmessage = ({ data }) => answered(helper, data);
  helper.port.onerror = () => answered(helper, { wrong: "the worker could not start" });
  helpers.push(helper);
  return helper;
}

/**
 * @param {Helper} helper
 * @param {Omit<import("./inflate.js").Answer, "id">} answer
 */
function answered(helper, { picture, piece, done, wrong }) {
  const { job } = helper;
  if (!job) return;
  if (picture) {
    job.stream = new Stream(picture.size);
    job.resolve({ ...picture, format: "png", planes: "lines", stream: job.stream });
  } else if (piece) {
    job.stream?.push(piece);
  } else if (done || wrong) {
    helper.job = null;
    if (wrong) {
      job.stream?.fail(wrong);
      job.resolve(null);
    }
    begin();
  }
}
