// The frames of a clip, decoded as they are asked for: from where the decoder is, or from the key
// frame before. Works on the page and in a worker, each with decoders of its own.
import { BlobSource, Input, MATROSKA, MP4, QTFF, VideoSampleSink, WEBM } from "mediabunny";
import { messageOf } from "../errors.js";
import { pictureOf } from "./picture.js";

/** @typedef {import("./clips.js").Clip} Clip */
/** @typedef {import("./picture.js").Picture} Picture */

/** @typedef {AsyncGenerator<import("mediabunny").VideoSample | null, void, unknown>} Samples */

/**
 * @typedef {object} Walk through a clip's frames in their order
 * @property {Samples} samples
 * @property {number} next the frame that comes next
 * @property {(index: number) => void} reach says that a frame is wanted
 * @property {() => void} end lets go of what is decoded
 */

/**
 * @typedef {object} Open a file that is open for decoding
 * @property {Input} input
 * @property {VideoSampleSink} sink
 */

/**
 * @typedef {object} Decoder a clip's
 * @property {Open | null} open
 * @property {Walk | null} walk where it is
 * @property {number} last the frame that was asked for last
 * @property {number} run how many were asked for in their order, up to it
 * @property {Promise<unknown>} queue
 * @property {number} users calls that wait for it
 * @property {ReturnType<typeof setTimeout>} [timer] that closes it
 */

export const formats = [MP4, QTFF, MATROSKA, WEBM];

// What is kept: bytes of decoded frames, and clips with a decoder that runs. A frame is kept
// when it is one of the last few before the one that was asked for, so that stepping back is quick.
const cacheBytes = 48 << 20; // 16 HD frames of 4:2:0 in 8 bits: a few of each plate
const openClips = 4; // color, band, background, and one more
const behind = 8;
const near = 8; // frames on from the last that was asked for, at most: one in its order, as playing asks that leaves some out
const longest = 24; // frames from one key frame to the next, at most, that are worth holding
const lead = 4; // frames before a key frame's turn at which it and those after it are decoded
const ordered = 4; // such frames in a row, after which those that follow are taken to be asked for, too
const idle = 20_000; // ms, after which a decoder that nobody asks is closed
const rounding = 1e-9; // s: two times that are this near are one
const none = "the decoder gives no such frame: the clip may be cut off or damaged; export it again";

/** @type {Map<string, Decoder>} */
const decoders = new Map(); // by the clip's id, in the order of use
/** @type {Map<string, Uint8Array>} */
const cache = new Map(); // by the clip's id and the frame's index, in the order of use
let cached = 0; // bytes in it

/**
 * frame returns a frame of a clip as the bytes of a file: not to be changed, for they are kept.
 * Frames in order cost one decoding each; others cost that from the key frame before.
 * @param {Clip} clip
 * @param {number} index
 */
export async function frame(clip, index) {
  if (!(index >= 0 && index < clip.frames)) throw new Error(`${clip.file.name} has no frame ${index}: it has 0 to ${clip.frames - 1}`);
  const decoder = decoderOf(clip);
  decoder.users++;
  const turn = decoder.queue.then(() => frameNow(decoder, clip, index));
  decoder.queue = turn.catch(() => {});
  try {
    return await turn;
  } finally {
    decoder.users--;
  }
}

/**
 * first decodes the first frame, which shows what the browser really gives.
 * @param {Pick<Clip, "file" | "timestamps" | "codecName" | "alpha" | "colorSpace" | "matrix" | "fullRange">} clip
 * @param {import("mediabunny").InputVideoTrack} track
 */
export async function first(clip, track) {
  try {
    const sample = await new VideoSampleSink(track).getSample(clip.timestamps[0] + rounding);
    if (!sample) throw new Error(none);
    try {
      return await pictureOf(sample, clip);
    } finally {
      sample.close();
    }
  } catch (error) {
    throw new Error(`${clip.file.name}: this browser's decoder of ${clip.codecName} gave up: ${messageOf(error)}${clip.alpha ? " (the clip carries alpha: export it without)" : ""}`);
  }
}

/** @returns {Decoder} */
const fresh = () => ({ open: null, walk: null, last: NaN, run: 0, queue: Promise.resolve(), users: 0 });

/**
 * @param {Decoder} decoder
 * @param {Clip} clip
 * @param {number} index
 */
async function frameNow(decoder, clip, index) {
  const found = recall(clip, index);
  if (found) return found;
  clearTimeout(decoder.timer);
  const keep = (/** @type {number} */ i, /** @type {Picture} */ picture) => remember(clip, i, picture.bytes);
  const decode = async () => decodeTo(decoder, (decoder.open ??= await begin(clip)), clip, index, keep);
  try {
    const picture = await decode().catch(() => {
      // Browsers take decoders away; one more from the start tells that from a clip that is
      // damaged.
      close(decoder);
      return decode();
    });
    return picture.bytes;
  } catch (error) {
    close(decoder);
    throw new Error(`${clip.file.name}: frame ${index} cannot be decoded: ${messageOf(error)}`);
  } finally {
    decoder.timer = setTimeout(() => decoder.users === 0 && leave(decoder), idle);
  }
}

/** @param {Clip} clip */
function decoderOf(clip) {
  const decoder = decoders.get(clip.id) ?? fresh();
  decoders.delete(clip.id);
  decoders.set(clip.id, decoder);
  for (const [id, other] of decoders) {
    if (decoders.size <= openClips) break;
    if (other.users > 0 || other === decoder) continue;
    clearTimeout(other.timer);
    close(other);
    decoders.delete(id);
  }
  return decoder;
}

/**
 * @param {Clip} clip
 * @returns {Promise<Open>}
 */
async function begin(clip) {
  const input = new Input({ source: new BlobSource(clip.file), formats });
  const track = await input.getPrimaryVideoTrack();
  if (!track) throw new Error("it has no pictures in it");
  return { input, sink: new VideoSampleSink(track) };
}

/**
 * leave stops the decoder and lets go of the frames that it holds.
 * @param {Decoder} decoder
 */
function leave(decoder) {
  decoder.walk?.end();
  decoder.walk = null;
}

/** @param {Decoder} decoder */
function close(decoder) {
  leave(decoder);
  decoder.open?.input.dispose();
  decoder.open = null;
}

/**
 * decodeTo decodes a frame and returns its picture, and gives those of the last few before it to keep. It
 * goes on from where the decoder is, unless the frame is behind it, or a key frame lies between. Only
 * where frames are asked for in their order does the decoder go ahead of them.
 * @param {Decoder} decoder
 * @param {Open} open
 * @param {Clip} clip
 * @param {number} index
 * @param {(index: number, picture: Picture) => void} keep
 */
async function decodeTo(decoder, { sink }, clip, index, keep) {
  const { timestamps, keys, hidden } = clip;
  const key = keys[Math.max(0, before(keys, timestamps[index] + rounding) - 1)];
  const start = before(timestamps, key - rounding);
  decoder.run = index > decoder.last && index <= decoder.last + near ? decoder.run + 1 : 0;
  decoder.last = index;
  const next = decoder.walk?.next ?? Infinity;
  if (next > index || (timestamps[next] < key && index - next > behind)) leave(decoder);
  // The library numbers a VP8 decoder's frames by the packets, hidden ones too: there the order tells.
  if (decoder.run >= ordered || hidden) decoder.walk ??= onFrom(sink, clip, key, start);
  const walk = decoder.walk ?? alone(sink, clip, Math.max(start, index - kept(clip)), index);
  walk.reach(index);
  try {
    for (;;) {
      const { value: sample } = await walk.samples.next();
      if (!sample) throw new Error(none);
      try {
        const i = hidden ? walk.next : nearest(timestamps, sample.timestamp);
        walk.next = i + 1;
        if (i > index) throw new Error("the decoder passed over it: the clip may be damaged; export it again");
        if (i < index - kept(clip)) continue;
        const picture = await pictureOf(sample, clip);
        keep(i, picture);
        if (i === index) return picture;
      } finally {
        sample.close();
      }
    }
  } finally {
    if (walk !== decoder.walk) walk.end();
  }
}

/**
 * alone is a walk over some frames and no more.
 * @param {VideoSampleSink} sink
 * @param {Clip} clip
 * @param {number} first
 * @param {number} last
 * @returns {Walk}
 */
function alone(sink, { timestamps }, first, last) {
  const samples = sink.samplesAtTimestamps(Array.from(timestamps.subarray(first, last + 1), (t) => t + rounding));
  return { samples, next: first, reach() {}, end: () => void samples.return() };
}

/**
 * onFrom is a walk from a key frame on. The frames up to the next key frame are decoded ahead of those that
 * are wanted; where that is far off, as many as the library likes, which holds up to fifty.
 * @param {VideoSampleSink} sink
 * @param {Clip} clip
 * @param {number} key its time
 * @param {number} start its place
 * @returns {Walk}
 */
function onFrom(sink, { timestamps, keys, hidden }, key, start) {
  const starts = [...Array.from(keys, (time) => before(timestamps, time - rounding)), timestamps.length];
  const group = Math.max(...starts.slice(1).map((at, k) => at - starts[k]));
  if (hidden || group > longest) {
    const samples = sink.samples(key);
    return { samples, next: start, reach() {}, end: () => void samples.return() };
  }
  let last = start;
  let ended = false;
  let wake = () => {};
  // The library decodes a group once it is asked for the one after it.
  const times = async function* () {
    for (let i = start; i < timestamps.length; i++) {
      while (i > last && !ended) await new Promise((resolve) => (wake = () => resolve(undefined)));
      if (ended) return;
      yield timestamps[i] + rounding;
    }
  };
  const samples = sink.samplesAtTimestamps(times());
  return {
    samples,
    next: start,
    reach: (index) => {
      last = Math.max(last, index + group + lead);
      wake();
    },
    end: () => {
      ended = true;
      wake();
      samples.return();
    },
  };
}

/**
 * kept is how many frames before the one asked for are worth their memory.
 * @param {{width: number, height: number}} size
 */
function kept({ width, height }) {
  return Math.min(behind, Math.floor(cacheBytes / 4 / (3 * width * height)));
}

/**
 * @param {Clip} clip
 * @param {number} index
 */
function recall(clip, index) {
  const key = `${clip.id}/${index}`;
  const bytes = cache.get(key);
  if (bytes) {
    cache.delete(key);
    cache.set(key, bytes);
  }
  return bytes;
}

/**
 * @param {Clip} clip
 * @param {number} index
 * @param {Uint8Array} bytes
 */
function remember(clip, index, bytes) {
  const key = `${clip.id}/${index}`;
  if (cache.has(key)) return;
  cache.set(key, bytes);
  cached += bytes.length;
  for (const [old, other] of cache) {
    if (cached <= cacheBytes) break;
    cache.delete(old);
    cached -= other.length;
    if (old !== key && other.buffer instanceof ArrayBuffer) other.buffer.transfer?.(0); // at once, not when the browser looks for it
  }
}

/**
 * before returns how many of the sorted times are before t.
 * @param {Float64Array} times
 * @param {number} t
 */
export function before(times, t) {
  let low = 0;
  let high = times.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (times[middle] < t) low = middle + 1;
    else high = middle;
  }
  return low;
}

/**
 * nearest returns the index of the frame whose time is nearest to t.
 * @param {Float64Array} times
 * @param {number} t
 */
function nearest(times, t) {
  const i = before(times, t);
  return i === times.length || (i > 0 && t - times[i - 1] < times[i] - t) ? i - 1 : i;
}
