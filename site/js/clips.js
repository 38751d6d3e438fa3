// Clips: the frames of MP4, MOV, WebM and MKV files, by the browser's own decoders, each as a file of one frame
// that the engine reads: YUV4MPEG2 with the decoder's own planes where the browser gives them out, else Netpbm.
// Color is converted by the engine alone. Works on the page and in workers.
import { BlobSource, EncodedPacketSink, Input, MATROSKA, MP4, QTFF, VideoSampleSink, WEBM, canDecodeVideo } from "mediabunny";
import { timecode } from "./timecode.js";

// What a worker keeps: bytes of decoded frames, and clips with a decoder that runs. A frame is kept when it is one of
// the last few before the one that was asked for, so that stepping back is quick.
const cacheBytes = 96 << 20;
const openClips = 4;
const behind = 8;
const idle = 20_000; // ms, after which a decoder that nobody asks is closed

const formats = [MP4, QTFF, MATROSKA, WEBM];
const mostPixels = 134217728; // as package plate has it

const codecNames = { avc: "H.264", hevc: "HEVC (H.265)", vp8: "VP8", vp9: "VP9", av1: "AV1", prores: "ProRes" };

// Planes that YUV4MPEG2 has a name for. Chroma of 4:2:0 is in line with the left luma column, as H.264, HEVC, VP9 and
// AV1 have it where a stream does not tell.
const planar = Object.fromEntries(
  [["420", "420mpeg2"], ["422", "422"], ["444", "444"]].flatMap(([name, eight]) =>
    ["", "A"].flatMap((alpha) => [[`I${name}${alpha}`, { layout: eight, depth: 8 }], ...[10, 12].map((depth) => [`I${name}${alpha}P${depth}`, { layout: `${name}p${depth}`, depth }])]),
  ),
);
planar.NV12 = { layout: "420mpeg2", depth: 8, pairs: true };

const matrices = { bt709: "BT709", smpte170m: "BT601", bt470bg: "BT601", "bt2020-ncl": "BT2020" };

// open reads what a clip is, without decoding more than its first frame. The result can be sent to a worker:
//
//   file, id          the File, and a name for this opening of it
//   width, height     of its frames as they are stored, in pixels
//   frames            how many; timestamps has when each is shown, in seconds, in that order (a Float64Array)
//   fps               {num, den, average, constant}: frames a second, a rational where it is a usual one
//   codec, codecName  such as "vp9" and "VP9"; codecString is the full one
//   bitDepth, format  of the planes that the browser gives, such as 10 and "I420P10"
//   source            "planes as decoded", "8 bits, RGB", or "8 bits by canvas"
//   colorSpace        {primaries, transfer, matrix, fullRange} as the file has it; null where it does not say
//   matrix, fullRange what its frames are read with
//   rotation, flip    how a player would turn them (degrees, clockwise): they are given unturned
//   alpha             whether the file may carry alpha, which is left out
//   timecode          of its first frame, such as "01:02:03:04" or "01:02:03;04"; null without
//   notes             sentences for whoever uses the clip
//
// An error says what the file is and what would be right.
export async function open(file) {
  const name = file.name || "the clip";
  const input = new Input({ source: new BlobSource(file), formats });
  try {
    if (!(await input.canRead())) throw new Error(`${name} is no clip that can be read here: MP4, MOV, WebM and MKV can`);
    const track = await input.getPrimaryVideoTrack();
    if (!track) throw new Error(`${name} has no pictures in it: drop a clip with a video track`);
    const codec = await track.getCodec();
    const codecName = codecNames[codec] ?? `its codec (${await internalName(track)})`;
    if (!codec || !(await track.canDecode())) {
      throw new Error(`${name}: this browser cannot decode ${codecName}: convert the clip to ${await decodable()}, or drop its frames as PNG or TIFF`);
    }
    const width = await track.getCodedWidth();
    const height = await track.getCodedHeight();
    if (width * height > mostPixels) throw new Error(`${name}: ${width}x${height} pixels are more than the limit of ${mostPixels}`);

    const times = await schedule(track, codec);
    if (times.timestamps.length === 0) throw new Error(`${name} has no frame that can be decoded: it may be cut off; export it again`);
    const rate = await track.computeFrameRateMetrics({ targetPacketCount: Infinity });
    const colorSpace = await track.getColorSpace();
    const clip = {
      file,
      id: Array.from(crypto.getRandomValues(new Uint32Array(4)), (n) => n.toString(36)).join("-"),
      width,
      height,
      frames: times.timestamps.length,
      ...times,
      fps: rational(rate),
      codec,
      codecName,
      codecString: await track.getCodecParameterString(),
      colorSpace: { primaries: null, transfer: null, matrix: null, fullRange: null, ...JSON.parse(JSON.stringify(colorSpace)) },
      rotation: await track.getRotation(),
      flip: await track.getFlip(),
      alpha: await track.canBeTransparent(),
      timecode: await timecode(file, input),
      notes: [],
    };
    // Common practice where a file does not say: BT.601 below 720 lines, BT.709 from there on.
    clip.matrix = matrices[clip.colorSpace.matrix] ?? (height < 720 ? "BT601" : "BT709");
    clip.fullRange = clip.colorSpace.fullRange ?? false;

    Object.assign(clip, await first(clip, input, track));
    const say = (text) => clip.notes.push(text);
    if (clip.source.includes("canvas")) say(`This browser gives no raw planes of ${codecName} ${clip.codecString}: its frames come as 8 bits by its canvas.`);
    if (!matrices[clip.colorSpace.matrix] && clip.colorSpace.matrix !== "rgb" && clip.source.startsWith("planes")) say(`The clip does not say its color matrix: ${clip.matrix} is taken, as is usual for ${height} lines.`);
    if (clip.rotation || clip.flip) say(`A player would turn this clip${clip.rotation ? ` by ${clip.rotation} degrees` : ""}${clip.flip ? " and mirror it" : ""}: its frames are used as they are stored.`);
    if (clip.alpha) say("The clip's alpha is left out.");
    if (!clip.fps.constant) say("The clip's frames are not evenly spaced in time: they are taken one by one, in order.");
    return clip;
  } finally {
    input.dispose();
  }
}

async function internalName(track) {
  const id = await track.getInternalCodecId();
  return typeof id === "string" ? id.trim() : "unknown";
}

async function decodable() {
  const names = [];
  for (const codec of ["vp9", "av1", "avc"]) if (await canDecodeVideo(codec)) names.push(codecNames[codec]);
  if (names.length === 0) return "another codec";
  return names.length === 1 ? names[0] : `${names.slice(0, -1).join(", ")} or ${names.at(-1)}`;
}

// schedule lists when frames are shown, in that order, and when the key frames are, from the packets alone.
// Frames that an edit list ends before 0 are not shown, and those before the first key frame cannot be decoded. VP8
// may have packets that only serve later frames: its packets are looked into.
async function schedule(track, codec) {
  const look = codec === "vp8";
  const shown = [];
  const keys = [];
  let hidden = false;
  for await (const packet of new EncodedPacketSink(track).packets(undefined, undefined, { metadataOnly: !look })) {
    if (look && !(packet.data[0] & 0x10)) { // show_frame: RFC 6386, section 9.1
      hidden = true;
      continue;
    }
    if (packet.type === "key") keys.push(packet.timestamp);
    if (keys.length > 0 && packet.timestamp + packet.duration > 0) shown.push(packet.timestamp);
  }
  const timestamps = Float64Array.from(shown).sort();
  keys.sort((a, b) => a - b);
  return { timestamps: timestamps.subarray(at(timestamps, keys[0])).slice(), keys: Float64Array.from(keys), hidden };
}

// at returns how many of the sorted times are before t.
function at(times, t) {
  let low = 0;
  let high = times.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (times[middle] < t) low = middle + 1;
    else high = middle;
  }
  return low;
}

// nearest returns the index of the frame whose time is nearest to t.
function nearest(times, t) {
  const i = at(times, t);
  return i === times.length || (i > 0 && t - times[i - 1] < times[i] - t) ? i - 1 : i;
}

function rational({ bestGuessFrameRate: best, averageFrameRate: average, frameRateIsConstant: constant }) {
  const usual = [24, 25, 30, 48, 50, 60, 90, 100, 120].flatMap((n) => (n % 6 === 0 ? [[n * 1000, 1001], [n, 1]] : [[n, 1]]));
  const [num, den] = usual.find(([num, den]) => Math.abs(best * den / num - 1) < 1e-4) ?? [Math.round(best * 1000), 1000];
  return { num, den, average, constant };
}

// first decodes the first frame, which shows what the browser really gives.
async function first(clip, input, track) {
  const state = { input, track, sink: new VideoSampleSink(track), walk: null };
  try {
    const picture = await walkTo(state, clip, 0, () => {});
    return { width: picture.width, height: picture.height, bitDepth: picture.depth, format: picture.format, source: picture.source };
  } catch (error) {
    throw new Error(`${clip.file.name}: this browser's decoder of ${clip.codecName} gave up: ${error.message}${clip.alpha ? " (the clip carries alpha: export it without)" : ""}`);
  } finally {
    leave(state);
  }
}

const states = new Map(); // clip id -> its decoder, in order of use
const cache = new Map(); // clip id and index -> bytes, in order of use
let cached = 0;

// frame returns a frame of a clip that open returned as the bytes of a file: not to be changed, for they are kept.
// Frames in order cost one decoding each; others cost that from the key frame before.
export async function frame(clip, index) {
  if (!(index >= 0 && index < clip.frames)) throw new Error(`${clip.file.name} has no frame ${index}: it has 0 to ${clip.frames - 1}`);
  const state = stateOf(clip);
  state.users++;
  const turn = state.queue.then(() => frameNow(state, clip, index));
  state.queue = turn.catch(() => {});
  try {
    return await turn;
  } finally {
    state.users--;
  }
}

async function frameNow(state, clip, index) {
  const found = recall(clip, index);
  if (found) return found;
  clearTimeout(state.timer);
  try {
    const keep = (i, picture) => remember(clip, i, picture.bytes);
    let picture;
    try {
      if (!state.input) await begin(state, clip);
      picture = await walkTo(state, clip, index, keep);
    } catch {
      // Browsers take decoders away; one more from the start tells that from a clip that is damaged.
      close(state);
      await begin(state, clip);
      picture = await walkTo(state, clip, index, keep);
    }
    return picture.bytes;
  } catch (error) {
    close(state);
    throw new Error(`${clip.file.name}: frame ${index} cannot be decoded: ${error.message}`);
  } finally {
    state.timer = setTimeout(() => state.users === 0 && leave(state), idle);
  }
}

function stateOf(clip) {
  let state = states.get(clip.id) ?? { queue: Promise.resolve(), users: 0, walk: null };
  states.delete(clip.id);
  states.set(clip.id, state);
  for (const [id, other] of states) {
    if (states.size <= openClips) break;
    if (other.users > 0 || other === state) continue;
    clearTimeout(other.timer);
    close(other);
    states.delete(id);
  }
  return state;
}

async function begin(state, clip) {
  state.input = new Input({ source: new BlobSource(clip.file), formats });
  state.track = await state.input.getPrimaryVideoTrack();
  state.sink = new VideoSampleSink(state.track);
}

// leave stops the decoder and lets go of the frames that it holds.
function leave(state) {
  state.walk?.samples.return();
  state.walk = null;
}

function close(state) {
  leave(state);
  state.input?.dispose();
  state.input = null;
}

// walkTo decodes on to a frame and returns its picture, and gives those of the last few before it to keep. It goes on
// from where the decoder is, unless the frame is behind it, or a key frame lies between.
async function walkTo(state, clip, index, keep) {
  const { timestamps, keys } = clip;
  const key = keys[Math.max(0, at(keys, timestamps[index] + 1e-9) - 1)];
  const next = state.walk?.next;
  if (!state.walk || next > index || (timestamps[next] < key && index - next > behind)) {
    leave(state);
    state.walk = { samples: state.sink.samples(key), next: at(timestamps, key - 1e-9) };
  }
  const walk = state.walk;
  for (;;) {
    const { value: sample, done } = await walk.samples.next();
    if (done) throw new Error("the decoder gives no such frame: the clip may be cut off or damaged; export it again");
    try {
      // The library numbers a VP8 decoder's frames by the packets, hidden ones too: there the order tells.
      const i = clip.hidden ? walk.next : nearest(timestamps, sample.timestamp);
      walk.next = i + 1;
      if (i > index) throw new Error("the decoder passed over it: the clip may be damaged; export it again");
      if (i < index && i < index - kept(clip)) continue;
      const picture = await pictureOf(sample, clip);
      keep(i, picture);
      if (i === index) return picture;
    } finally {
      sample.close();
    }
  }
}

// kept is how many frames before the one asked for are worth their memory.
function kept({ width, height }) {
  return Math.min(behind, Math.floor(cacheBytes / 4 / (3 * width * height)));
}

function recall(clip, index) {
  const key = `${clip.id}/${index}`;
  const bytes = cache.get(key);
  if (bytes) {
    cache.delete(key);
    cache.set(key, bytes);
  }
  return bytes;
}

function remember(clip, index, bytes) {
  const key = `${clip.id}/${index}`;
  if (cache.has(key)) return;
  cache.set(key, bytes);
  cached += bytes.length;
  for (const [old, other] of cache) {
    if (cached <= cacheBytes) break;
    cache.delete(old);
    cached -= other.length;
  }
}

// pictureOf returns a decoded frame as the bytes of a file.
async function pictureOf(sample, clip) {
  const { width, height } = sample.visibleRect;
  const planes = planar[sample.format];
  const rgb = clip.colorSpace.matrix === "rgb";
  if (planes && !rgb) return { ...(await y4m(sample, clip, width, height, planes)), width, height, format: sample.format };
  if (rgb && clip.fullRange && /^I444(P1[02])?$/.test(sample.format)) return { ...(await gbr(sample, width, height, planes)), width, height, format: sample.format };
  const picture = await pixels(sample, width, height);
  const [head, out] = file(`P6\n# ${picture.source}\n${width} ${height}\n255\n`, 3 * width * height);
  for (let i = 0, j = head; j < out.length; i += 4, j += 3) {
    out[j] = picture.rgba[i];
    out[j + 1] = picture.rgba[i + 1];
    out[j + 2] = picture.rgba[i + 2];
  }
  return { bytes: out, width, height, depth: 8, format: sample.format ?? "opaque", source: picture.source };
}

async function y4m(sample, { matrix, fullRange }, width, height, { layout, depth, pairs }) {
  const across = layout.startsWith("444") ? width : (width + 1) >> 1;
  const down = layout.startsWith("420") ? (height + 1) >> 1 : height;
  const wide = depth > 8 ? 2 : 1;
  const luma = width * height * wide;
  const chroma = across * down * wide;
  const [head, out] = file(`YUV4MPEG2 W${width} H${height} F25:1 Ip A1:1 C${layout} XCOLORRANGE=${fullRange ? "FULL" : "LIMITED"} XMATRIX=${matrix}\nFRAME\n`, luma + 2 * chroma);
  const stride = across * wide;
  const from = [{ offset: 0, stride: width * wide }, ...(pairs ? [{ offset: luma, stride: 2 * stride }] : [{ offset: luma, stride }, { offset: luma + chroma, stride }])];
  if (sample.format.includes("A")) {
    // Alpha comes last and is left out.
    const all = new Uint8Array(2 * luma + 2 * chroma);
    await sample.copyTo(all, { layout: [...from, { offset: luma + 2 * chroma, stride: width * wide }] });
    out.set(all.subarray(0, luma + 2 * chroma), head);
  } else {
    await sample.copyTo(out.subarray(head), { layout: from });
  }
  if (pairs) {
    const both = out.slice(head + luma);
    const [cb, cr] = [head + luma, head + luma + chroma];
    for (let i = 0; i < chroma; i++) {
      out[cb + i] = both[2 * i];
      out[cr + i] = both[2 * i + 1];
    }
  }
  return { bytes: out, depth, source: "planes as decoded" };
}

// gbr takes planes of G', B' and R', in the place of Y', Cb and Cr (matrix 0 of Recommendation ITU-T H.273), which
// YUV4MPEG2 has no name for.
async function gbr(sample, width, height, { depth }) {
  const n = width * height;
  const wide = depth > 8 ? 2 : 1;
  const planes = new Uint8Array(3 * n * wide);
  await sample.copyTo(planes, { layout: [0, 1, 2].map((i) => ({ offset: i * n * wide, stride: width * wide })) });
  const [head, out] = file(`P6\n${width} ${height}\n${2 ** depth - 1}\n`, planes.length);
  [2, 0, 1].forEach((plane, c) => {
    for (let i = plane * n * wide, j = head + c * wide; j < out.length; i += wide, j += 3 * wide) {
      out[j] = planes[i + wide - 1]; // the higher byte comes first in Netpbm
      if (wide === 2) out[j + 1] = planes[i];
    }
  });
  return { bytes: out, depth, source: "planes as decoded" };
}

// pixels returns R'G'B' as the browser makes it.
async function pixels(sample, width, height) {
  if (/^(RGB|BGR)/.test(sample.format ?? "")) {
    const rgba = new Uint8Array(4 * width * height);
    await sample.copyTo(rgba, { format: "RGBA" });
    return { rgba, source: "8 bits, RGB" };
  }
  const context = new OffscreenCanvas(width, height).getContext("2d", { alpha: false, willReadFrequently: true });
  const frame = sample.toVideoFrame();
  try {
    context.drawImage(frame, 0, 0, width, height);
  } finally {
    frame.close();
  }
  return { rgba: context.getImageData(0, 0, width, height).data, source: "8 bits by canvas" };
}

// file returns room for a head and so many bytes after it, with the head in it, and where those begin.
function file(head, n) {
  const text = new TextEncoder().encode(head);
  const out = new Uint8Array(text.length + n);
  out.set(text);
  return [text.length, out];
}
