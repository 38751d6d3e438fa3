// A clip out: frames encoded by the browser into WebM or MP4.
import { BufferTarget, EncodedPacket, EncodedVideoPacketSource, Mp4OutputFormat, Output, Quality, VideoSample, VideoSampleSource, WebMOutputFormat, canEncodeVideo } from "mediabunny";

/** @typedef {{width: number, height: number}} Size */

/**
 * A frame to be: display-encoded sRGB with 8 bits and opaque, or a VideoFrame, which encode closes.
 * @typedef {{rgba: Uint8Array} | VideoFrame} Frame
 */

/**
 * @typedef {object} Clip what a clip is made of
 * @property {number} width of its frames, in pixels
 * @property {number} height
 * @property {number | {num: number, den: number}} fps frames a second
 * @property {Iterable<Frame> | AsyncIterable<Frame>} frames all of them in order
 * @property {string} [container]
 * @property {boolean} [alpha] frames have straight alpha, which the clip keeps; in WebM
 * @property {number} [quality] on the library's scale, whose "very high" is 1
 * @property {(done: number) => void} [onProgress] gets the number of frames done
 * @property {(note: string) => void} [onNote] is told what is not as it was given
 * @property {AbortSignal} [signal] ends it
 */

/** @type {Record<string, {codecs: import("mediabunny").VideoCodec[], format: () => WebMOutputFormat | Mp4OutputFormat}>} */
const containers = {
  webm: { codecs: ["vp9", "av1", "vp8"], format: () => new WebMOutputFormat() },
  mp4: { codecs: ["avc", "hevc", "av1"], format: () => new Mp4OutputFormat() },
};

// The quality where none is asked for: a quantizer of about 14 of 63 for VP9, 11 of 51
// for H.264, where the browser's encoder takes one.
const best = 1.2;

/**
 * possible returns the containers that this browser can write, best first.
 * @param {Size} [size]
 */
export async function possible(size = { width: 1280, height: 720 }) {
  const out = [];
  for (const container of Object.keys(containers)) {
    const codec = await codecFor(container, size);
    if (codec) out.push({ container, codec });
  }
  return out;
}

/**
 * codecFor returns the best codec of a container that this browser can write, or null.
 * @param {string} container
 * @param {Size} size
 */
async function codecFor(container, { width, height }) {
  for (const codec of containers[container].codecs) {
    if (await canEncodeVideo(codec, { width, height, quality: new Quality(best) })) return codec;
  }
  return null;
}

/**
 * encode returns a clip of frames as a Blob, its codec the first of possible's. Chroma has half the
 * columns and lines, so the size becomes even: a last column or line is given twice, and onNote is
 * told so.
 * @param {Clip} clip
 */
export async function encode({ width, height, fps, frames, container = "webm", alpha = false, quality = best, onProgress, onNote, signal }) {
  if (!containers[container]) throw new Error(`no container called ${JSON.stringify(container)}: it must be one of ${Object.keys(containers).join(", ")}`);
  const rate = typeof fps === "object" ? fps : { num: fps, den: 1 };
  if (!(rate.num > 0 && rate.den > 0)) throw new Error(`${rate.num}/${rate.den} frames a second: it must be above 0`);
  const size = { width: width + (width & 1), height: height + (height & 1) };
  const codec = await codecFor(container, size);
  if (!codec) throw new Error(`this browser cannot encode ${container === "mp4" ? "MP4" : "WebM"} of ${size.width}x${size.height} pixels: take another container or a smaller size, or save the frames as PNG`);
  if (size.width !== width || size.height !== height) onNote?.(`The clip has ${size.width}x${size.height} pixels, for it needs even numbers: the last ${[size.width !== width && "column", size.height !== height && "line"].filter(Boolean).join(" and ")} is there twice.`);

  const output = new Output({ format: containers[container].format(), target: new BufferTarget() });
  const source = alpha ? new AlphaSource(size, quality) : new VideoSampleSource({ codec, quality: new Quality(quality), keyFrameInterval: 2, latencyMode: "quality" });
  output.addVideoTrack(source instanceof AlphaSource ? source.track : source);
  let done = 0;
  try {
    signal?.throwIfAborted();
    await output.start();
    for await (const frame of frames) {
      const sample = await sampleOf(frame, { width, height, size, rate, alpha, index: done });
      try {
        signal?.throwIfAborted();
        await source.add(sample);
      } finally {
        sample.close();
      }
      onProgress?.(++done);
    }
    signal?.throwIfAborted();
    if (source instanceof AlphaSource) await source.finish();
    if (done === 0) throw new Error("no frames: a clip needs one at least");
    await output.finalize();
  } catch (error) {
    await output.cancel().catch(() => {});
    if (signal?.aborted) throw signal.reason;
    throw error;
  }
  if (!output.target.buffer) throw new Error("the clip was not written");
  return new Blob([output.target.buffer], { type: output.format.mimeType });
}

const waiting = 8; // frames that an encoder may have before it
const between = 48; // frames from one key frame to the next

/**
 * An alpha source encodes color and alpha apart, as VP9 in WebM has it: alpha is the luma of a second
 * picture, in the packet's side data. The library's own way needs a worker that the page's policy forbids.
 */
class AlphaSource {
  track = new EncodedVideoPacketSource("vp9");
  /** @type {{chunks: EncodedVideoChunk[], meta?: EncodedVideoChunkMetadata, encoder: VideoEncoder}[]} */
  #both;
  #wrong = "";
  #n = 0;

  /**
   * @param {Size} size
   * @param {number} quality
   */
  constructor({ width, height }, quality) {
    // Of 63: best is 14, as the library's scale has it; a line through that and about 36 for 0.5.
    this.quantizer = Math.min(63, Math.max(0, Math.round(14 + 31 * (best - quality))));
    this.#both = [0, 1].map(() => {
      /** @type {EncodedVideoChunk[]} */
      const chunks = [];
      const one = { chunks, meta: /** @type {EncodedVideoChunkMetadata | undefined} */ (undefined), encoder: new VideoEncoder({
        output: (chunk, meta) => {
          chunks.push(chunk);
          one.meta ??= meta;
        },
        error: (error) => (this.#wrong = error.message),
      }) };
      one.encoder.configure({ codec: "vp09.00.51.08", width, height, bitrateMode: "quantizer", latencyMode: "quality" });
      return one;
    });
  }

  /**
   * add encodes a frame of R, G, B and alpha.
   * @param {VideoSample} sample
   */
  async add(sample) {
    const { codedWidth: w, codedHeight: h } = sample;
    const rgba = new Uint8Array(4 * w * h);
    await sample.copyTo(rgba, { format: "RGBA" });
    const alpha = new Uint8Array((w * h * 3) / 2).fill(128, w * h); // no chroma
    for (let i = 0; i < w * h; i++) alpha[i] = rgba[4 * i + 3];
    const times = { timestamp: Math.round(1e6 * sample.timestamp), duration: Math.round(1e6 * sample.duration) };
    const frames = [
      new VideoFrame(rgba, { format: "RGBX", codedWidth: w, codedHeight: h, colorSpace, ...times }),
      new VideoFrame(alpha, { format: "I420", codedWidth: w, codedHeight: h, ...times }),
    ];
    frames.forEach((frame, i) => {
      this.#both[i].encoder.encode(frame, { keyFrame: this.#n % between === 0, vp9: { quantizer: this.quantizer } });
      frame.close();
    });
    this.#n++;
    while (!this.#wrong && this.#both.some(({ encoder }) => encoder.encodeQueueSize > waiting)) await new Promise((resolve) => setTimeout(resolve, 5));
    await this.#write();
  }

  async #write() {
    if (this.#wrong) throw new Error(`the clip cannot be encoded: ${this.#wrong}`);
    const [color, alpha] = this.#both;
    while (color.chunks.length && alpha.chunks.length) {
      const [one, other] = [color, alpha].map(({ chunks }) => /** @type {EncodedVideoChunk} */ (chunks.shift()));
      const side = new Uint8Array(other.byteLength);
      other.copyTo(side);
      await this.track.add(EncodedPacket.fromEncodedChunk(one, { alpha: side }), color.meta);
    }
  }

  async finish() {
    await Promise.all(this.#both.map(({ encoder }) => encoder.flush()));
    await this.#write();
    for (const { encoder } of this.#both) encoder.close();
  }
}

// The browser makes Y'CbCr of R'G'B' as the frame's own color space says: BT.709 in its narrow
// range, which every player takes. Players show sRGB tagged so as it is (common practice).
/** @type {VideoColorSpaceInit} */
const colorSpace = { primaries: "bt709", transfer: "bt709", matrix: "rgb", fullRange: false };

/**
 * @param {Frame} frame
 * @param {{width: number, height: number, size: Size, rate: {num: number, den: number}, alpha: boolean, index: number}} how
 */
async function sampleOf(frame, { width, height, size, rate, alpha, index }) {
  const times = { timestamp: index * rate.den / rate.num, duration: rate.den / rate.num };
  const even = size.width === width && size.height === height;
  let rgba = "rgba" in frame ? frame.rgba : null;
  if (!("rgba" in frame)) {
    if (even && !/^(RGB|BGR)/.test(frame.format ?? "RGB")) return new VideoSample(frame, times);
    rgba = new Uint8Array(4 * width * height);
    try {
      await frame.copyTo(rgba, { format: "RGBA" });
    } finally {
      frame.close();
    }
  }
  if (rgba?.length !== 4 * width * height) throw new Error(`frame ${index} has ${rgba?.length ?? 0} bytes: ${width}x${height} pixels with 8 bits of R, G, B and A have ${4 * width * height}`);
  return new VideoSample(even ? rgba : padded(rgba, width, height, size), { format: alpha ? "RGBA" : "RGBX", codedWidth: size.width, codedHeight: size.height, colorSpace, ...times });
}

/**
 * padded repeats the last column and line where size has one more.
 * @param {Uint8Array} rgba
 * @param {number} width
 * @param {number} height
 * @param {Size} size
 */
function padded(rgba, width, height, size) {
  const out = new Uint8Array(4 * size.width * size.height);
  for (let y = 0; y < size.height; y++) {
    const line = rgba.subarray(4 * width * Math.min(y, height - 1)).subarray(0, 4 * width);
    out.set(line, 4 * size.width * y);
    if (size.width > width) out.set(line.subarray(-4), 4 * (size.width * y + width));
  }
  return out;
}
