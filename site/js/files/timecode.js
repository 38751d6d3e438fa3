// The time code of a clip's first frame: from the time code track of a MOV or MP4 file (QuickTime
// File Format Specification, "Timecode Media"), or from the TIMECODE tag of an MKV or WebM file.

const mostBytes = 64 << 20; // of a file's tables

/**
 * timecode returns it as 01:02:03:04, or 01:02:03;04 where frames are dropped; null where the clip
 * has none.
 * @param {File} file
 * @param {import("mediabunny").Input} input
 */
export async function timecode(file, input) {
  const name = (await input.getFormat()).name;
  if (/Matroska|WebM/i.test(name)) {
    const tags = (await input.getMetadataTags()).raw ?? {};
    const tag = tags.TIMECODE ?? tags.timecode;
    return typeof tag === "string" && /^\d\d:\d\d:\d\d[:;]\d\d$/.test(tag) ? tag : null;
  }
  const moov = await topBox(file, "moov");
  if (!moov) return null;
  for (const track of boxes(moov, "trak")) {
    const media = box(track, "mdia");
    const handler = media && box(media, "hdlr");
    if (!handler || text(handler, 8) !== "tmcd") continue;
    const information = box(media, "minf");
    const table = information && box(information, "stbl");
    if (!table) continue;
    const entry = box(table, "stsd"); // version, flags, entries; then size, format, 8 reserved bytes and so on
    const short = box(table, "stco");
    const offsets = short ?? box(table, "co64");
    if (!entry || entry.byteLength < 41 || text(entry, 12) !== "tmcd" || !offsets || offsets.byteLength < 12) continue;
    const rate = entry.getUint8(40);
    const drop = (entry.getUint32(28) & 1) !== 0;
    const place = short ? offsets.getUint32(8) : Number(offsets.getBigUint64(8));
    const sample = await file.slice(place, place + 4).arrayBuffer();
    if (rate > 0 && sample.byteLength === 4) return address(new DataView(sample).getUint32(0), rate, drop);
  }
  return null;
}

/**
 * address names frame n after 00:00:00:00, as SMPTE ST 12-1 has it: where frames are dropped, a
 * minute leaves out its first addresses, two of 30, but for each tenth minute.
 * @param {number} n
 * @param {number} rate
 * @param {boolean} drop
 */
function address(n, rate, drop) {
  if (drop) {
    const left = Math.round(rate / 15);
    const minute = 60 * rate - left;
    const ten = 10 * minute + left;
    n += 9 * left * Math.floor(n / ten) + left * Math.max(0, Math.floor(((n % ten) - left) / minute));
  }
  const two = (/** @type {number} */ v) => String(v).padStart(2, "0");
  const seconds = Math.floor(n / rate);
  return `${two(Math.floor(seconds / 3600) % 24)}:${two(Math.floor(seconds / 60) % 60)}:${two(seconds % 60)}${drop ? ";" : ":"}${two(n % rate)}`;
}

/**
 * topBox reads a box at the file's top level, without its head.
 * @param {File} file
 * @param {string} type
 */
async function topBox(file, type) {
  for (let at = 0; at + 8 <= file.size; ) {
    const head = new DataView(await file.slice(at, at + 16).arrayBuffer());
    let size = head.getUint32(0);
    let skip = 8;
    if (size === 1 && head.byteLength === 16) {
      size = Number(head.getBigUint64(8));
      skip = 16;
    } else if (size === 0) size = file.size - at;
    if (size < skip) return null;
    if (text(head, 4) === type) return size > mostBytes ? null : new DataView(await file.slice(at + skip, at + size).arrayBuffer());
    at += size;
  }
  return null;
}

/**
 * boxes are those of a type within another, without their heads.
 * @param {DataView} view
 * @param {string} type
 * @returns {Generator<DataView, void>}
 */
function* boxes(view, type) {
  for (let at = 0; at + 8 <= view.byteLength; ) {
    const size = view.getUint32(at);
    if (size < 8 || at + size > view.byteLength) return;
    if (text(view, at + 4) === type) yield new DataView(view.buffer, view.byteOffset + at + 8, size - 8);
    at += size;
  }
}

/**
 * box is the first of them.
 * @param {DataView} view
 * @param {string} type
 */
function box(view, type) {
  return boxes(view, type).next().value ?? null;
}

/**
 * text is four letters.
 * @param {DataView} view
 * @param {number} at
 */
function text(view, at) {
  if (at + 4 > view.byteLength) return "";
  return String.fromCharCode(...[0, 1, 2, 3].map((i) => view.getUint8(at + i)));
}
