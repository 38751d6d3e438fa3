// Clips: what an MP4, MOV, WebM or MKV file is, before its frames are decoded. Works on the page
// and in workers.
import { BlobSource, EncodedPacketSink, Input, canDecodeVideo } from "mediabunny";
import { before, first, formats } from "./decoder.js";
import { timecode } from "./timecode.js";

/** @typedef {import("mediabunny").InputVideoTrack} Track */

/**
 * What a file says of its colors; null where it does not say.
 * @typedef {{primaries: string | null, transfer: string | null, matrix: string | null, fullRange: boolean | null}} Colors
 */

/**
 * @typedef {object} Clip one that is open; it can be sent to a worker
 * @property {File} file
 * @property {string} id a name for this opening of it
 * @property {number} width of its frames as they are stored, in pixels
 * @property {number} height
 * @property {number} frames how many
 * @property {Float64Array} timestamps when each is shown, in seconds, in that order
 * @property {Float64Array} keys when the key frames are
 * @property {boolean} hidden it has packets that are not shown
 * @property {{num: number, den: number, average: number, constant: boolean}} fps frames a second, a rational where it is a usual one
 * @property {string} codec such as "vp9"
 * @property {string} codecName such as "VP9"
 * @property {string | null} codecString the full one
 * @property {number} bitDepth of the planes that the browser gives, such as 10
 * @property {string} format of them, such as "I420P10"
 * @property {string} source "planes as decoded", "8 bits, RGB", or "8 bits by canvas"
 * @property {Colors} colorSpace as the file has it
 * @property {string} matrix what its frames are read with
 * @property {boolean} fullRange likewise
 * @property {number} rotation how a player would turn them (degrees, clockwise): they are given unturned
 * @property {boolean} flip how a player would mirror them
 * @property {boolean} alpha whether the file may carry alpha, which is left out
 * @property {string | null} timecode of its first frame, such as "01:02:03:04" or "01:02:03;04"; null without
 * @property {string[]} notes sentences for whoever uses the clip
 */

/** @type {Record<string, string>} */
const codecNames = { avc: "H.264", hevc: "HEVC (H.265)", vp8: "VP8", vp9: "VP9", av1: "AV1", prores: "ProRes" };

/** @type {Record<string, string>} */
const matrices = { bt709: "BT709", smpte170m: "BT601", bt470bg: "BT601", "bt2020-ncl": "BT2020" };

/**
 * open reads what a clip is, without decoding more than its first frame. An error says what the
 * file is and what would be right.
 * @param {File} file
 * @param {number} mostPixels that a frame may have
 * @returns {Promise<Clip>}
 */
export async function open(file, mostPixels) {
  const name = file.name || "the clip";
  const input = new Input({ source: new BlobSource(file), formats });
  try {
    if (!(await input.canRead())) throw new Error(`${name} is no clip that can be read here: MP4, MOV, WebM and MKV can`);
    const track = await input.getPrimaryVideoTrack();
    if (!track) throw new Error(`${name} has no pictures in it: drop a clip with a video track`);
    const codec = await track.getCodec();
    const codecName = codecNames[codec ?? ""] ?? `its codec (${await internalName(track)})`;
    if (!codec || !(await track.canDecode())) {
      throw new Error(`${name}: this browser cannot decode ${codecName}: convert the clip to ${await decodable()}, or drop its frames as PNG or TIFF`);
    }
    const width = await track.getCodedWidth();
    const height = await track.getCodedHeight();
    if (width * height > mostPixels) throw new Error(`${name}: ${width}x${height} pixels are more than the limit of ${mostPixels}`);

    const times = await schedule(track, codec);
    if (times.timestamps.length === 0) throw new Error(`${name} has no frame that can be decoded: it may be cut off; export it again`);
    /** @type {Colors} */
    const colorSpace = { primaries: null, transfer: null, matrix: null, fullRange: null, ...JSON.parse(JSON.stringify(await track.getColorSpace())) };
    const known = {
      file,
      id: Array.from(crypto.getRandomValues(new Uint32Array(4)), (n) => n.toString(36)).join("-"),
      frames: times.timestamps.length,
      ...times,
      fps: rational(await track.computeFrameRateMetrics({ targetPacketCount: Infinity })),
      codec,
      codecName,
      codecString: await track.getCodecParameterString(),
      colorSpace,
      // Common practice where a file does not say: BT.601 below 720 lines, BT.709 from there on.
      matrix: matrices[colorSpace.matrix ?? ""] ?? (height < 720 ? "BT601" : "BT709"),
      fullRange: colorSpace.fullRange ?? false,
      rotation: await track.getRotation(),
      flip: await track.getFlip(),
      alpha: await track.canBeTransparent(),
      timecode: await timecode(file, input),
    };
    const { width: w, height: h, depth: bitDepth, format, source } = await first(known, track);
    const clip = { ...known, width: w, height: h, bitDepth, format, source };
    return { ...clip, notes: notesOf(clip, height) };
  } finally {
    input.dispose();
  }
}

/**
 * notesOf returns what whoever uses the clip should know.
 * @param {Omit<Clip, "notes">} clip
 * @param {number} lines as the file has them
 */
function notesOf({ source, codecName, codecString, colorSpace, matrix, rotation, flip, alpha, fps }, lines) {
  const unsaid = !matrices[colorSpace.matrix ?? ""] && colorSpace.matrix !== "rgb" && source.startsWith("planes");
  return [
    source.includes("canvas") && `This browser gives no raw planes of ${codecName} ${codecString}: its frames come as 8 bits by its canvas.`,
    unsaid && `The clip does not say its color matrix: ${matrix} is taken, as is usual for ${lines} lines.`,
    (rotation || flip) && `A player would turn this clip${rotation ? ` by ${rotation} degrees` : ""}${flip ? " and mirror it" : ""}: its frames are used as they are stored.`,
    alpha && "The clip's alpha is left out.",
    !fps.constant && "The clip's frames are not evenly spaced in time: they are taken one by one, in order.",
  ].filter((text) => typeof text === "string");
}

/** @param {Track} track */
async function internalName(track) {
  const id = await track.getInternalCodecId();
  return typeof id === "string" ? id.trim() : "unknown";
}

// decodable names codecs that this browser decodes.
async function decodable() {
  const names = [];
  for (const codec of /** @type {const} */ (["vp9", "av1", "avc"])) if (await canDecodeVideo(codec)) names.push(codecNames[codec]);
  if (names.length === 0) return "another codec";
  return names.length === 1 ? names[0] : `${names.slice(0, -1).join(", ")} or ${names.at(-1)}`;
}

/**
 * schedule lists when frames are shown, in that order, and when the key frames are, from the
 * packets alone. Frames that an edit list ends before 0 are not shown, and those before the first
 * key frame cannot be decoded. VP8 may have packets that only serve later frames: its packets are
 * looked into.
 * @param {Track} track
 * @param {string} codec
 */
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
  return { timestamps: timestamps.subarray(before(timestamps, keys[0])).slice(), keys: Float64Array.from(keys), hidden };
}

/**
 * rational returns a frame rate, as one of the usual ones where it is within 1e-4 of it: 24000/1001
 * is 1e-3 from 24.
 * @param {import("mediabunny").FrameRateMetrics} metrics
 */
function rational({ bestGuessFrameRate: best, averageFrameRate: average, frameRateIsConstant: constant }) {
  const usual = [24, 25, 30, 48, 50, 60, 90, 100, 120].flatMap((n) => (n % 6 === 0 ? [[n * 1000, 1001], [n, 1]] : [[n, 1]]));
  const [num, den] = usual.find(([num, den]) => Math.abs(best * den / num - 1) < 1e-4) ?? [Math.round(best * 1000), 1000];
  return { num, den, average, constant };
}
