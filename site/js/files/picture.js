// A decoded frame as the bytes of a file that the engine reads: YUV4MPEG2 with the decoder's own
// planes where the browser gives them out, else Netpbm. Color is converted by the engine alone.

/** @typedef {import("mediabunny").VideoSample} Sample */
/** @typedef {Pick<import("./clips.js").Clip, "matrix" | "fullRange">} Reading how planes are read */
/** @typedef {{layout: string, depth: number, pairs?: boolean}} Planes as YUV4MPEG2 names them; pairs: Cb and Cr alternate */

/**
 * @typedef {object} Picture
 * @property {Uint8Array} bytes of the file
 * @property {number} width
 * @property {number} height
 * @property {number} depth
 * @property {string} format as the browser names it
 * @property {string} source where the values are from, in words
 */

// Planes that YUV4MPEG2 has a name for. Chroma of 4:2:0 is in line with the left luma column, as
// H.264, HEVC, VP9 and AV1 have it where a stream does not tell.
/** @type {Record<string, Planes>} */
const planar = { NV12: { layout: "420mpeg2", depth: 8, pairs: true } };
for (const [name, eight] of [["420", "420mpeg2"], ["422", "422"], ["444", "444"]]) {
  for (const alpha of ["", "A"]) {
    planar[`I${name}${alpha}`] = { layout: eight, depth: 8 };
    for (const depth of [10, 12]) planar[`I${name}${alpha}P${depth}`] = { layout: `${name}p${depth}`, depth };
  }
}

/**
 * pictureOf returns a decoded frame as the bytes of a file.
 * @param {Sample} sample
 * @param {Reading & Pick<import("./clips.js").Clip, "colorSpace">} clip
 * @returns {Promise<Picture>}
 */
export async function pictureOf(sample, clip) {
  const { width, height } = sample.visibleRect;
  const format = sample.format ?? "opaque";
  const planes = planar[format];
  const rgb = clip.colorSpace.matrix === "rgb";
  const decoded = { width, height, format, source: "planes as decoded" };
  if (planes && !rgb) return { ...decoded, bytes: await y4m(sample, clip, width, height, planes), depth: planes.depth };
  if (rgb && clip.fullRange && /^I444(P1[02])?$/.test(format)) return { ...decoded, bytes: await gbr(sample, width, height, planes.depth), depth: planes.depth };
  const { rgba, source } = await pixels(sample, width, height);
  const [head, out] = file(`P6\n# ${source}\n${width} ${height}\n255\n`, 3 * width * height);
  for (let i = 0, j = head; j < out.length; i += 4, j += 3) {
    out[j] = rgba[i];
    out[j + 1] = rgba[i + 1];
    out[j + 2] = rgba[i + 2];
  }
  return { bytes: out, width, height, depth: 8, format, source };
}

/**
 * @param {Sample} sample
 * @param {Reading} reading
 * @param {number} width
 * @param {number} height
 * @param {Planes} planes
 */
async function y4m(sample, { matrix, fullRange }, width, height, { layout, depth, pairs }) {
  const across = layout.startsWith("444") ? width : (width + 1) >> 1;
  const down = layout.startsWith("420") ? (height + 1) >> 1 : height;
  const wide = depth > 8 ? 2 : 1;
  const luma = width * height * wide;
  const chroma = across * down * wide;
  const [head, out] = file(`YUV4MPEG2 W${width} H${height} F25:1 Ip A1:1 C${layout} XCOLORRANGE=${fullRange ? "FULL" : "LIMITED"} XMATRIX=${matrix}\nFRAME\n`, luma + 2 * chroma);
  const stride = across * wide;
  const from = [{ offset: 0, stride: width * wide }, ...(pairs ? [{ offset: luma, stride: 2 * stride }] : [{ offset: luma, stride }, { offset: luma + chroma, stride }])];
  if (sample.format?.includes("A")) {
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
  return out;
}

/**
 * gbr takes planes of G', B' and R', in the place of Y', Cb and Cr (matrix 0 of Recommendation
 * ITU-T H.273), which YUV4MPEG2 has no name for.
 * @param {Sample} sample
 * @param {number} width
 * @param {number} height
 * @param {number} depth
 */
async function gbr(sample, width, height, depth) {
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
  return out;
}

/**
 * pixels returns R'G'B' as the browser makes it.
 * @param {Sample} sample
 * @param {number} width
 * @param {number} height
 */
async function pixels(sample, width, height) {
  if (/^(RGB|BGR)/.test(sample.format ?? "")) {
    const rgba = new Uint8Array(4 * width * height);
    await sample.copyTo(rgba, { format: "RGBA" });
    return { rgba, source: "8 bits, RGB" };
  }
  const context = new OffscreenCanvas(width, height).getContext("2d", { alpha: false, willReadFrequently: true });
  if (!context) throw new Error("the browser has no canvas to read it by");
  const frame = sample.toVideoFrame();
  try {
    context.drawImage(frame, 0, 0, width, height);
  } finally {
    frame.close();
  }
  return { rgba: context.getImageData(0, 0, width, height).data, source: "8 bits by canvas" };
}

/**
 * file returns where so many bytes begin after a head, and room for both, with the head in it.
 * @param {string} head
 * @param {number} n
 * @returns {[number, Uint8Array<ArrayBuffer>]}
 */
function file(head, n) {
  const text = new TextEncoder().encode(head);
  const out = new Uint8Array(text.length + n);
  out.set(text);
  return [text.length, out];
}
