// What is kept: stills, a test shot, the log of the readings, and the sheet of the day.
import { $, download, el, fill, press } from "../dom.js";
import { messageOf } from "../errors.js";
import { sheet } from "./sheet.js";

/** @typedef {import("./state.js").LiveStore} LiveStore */
/** @typedef {{name: string, bytes: Uint8Array<ArrayBuffer>}} File */

const longest = 60_000; // ms of a test shot
const mostBytes = 2e9; // of a test shot, in memory and in its archive
const text = (/** @type {string} */ s) => new TextEncoder().encode(s);

/** @param {Blob} blob */
const bytesOf = async (blob) => new Uint8Array(await blob.arrayBuffer());

/** @param {number} time */
const stamp = (time) => new Date(time).toISOString().slice(0, 19).replaceAll(":", ".");

/** @param {Blob} blob */
const dataURL = (blob) => new Promise((resolve, reject) => {
  const reader = new FileReader();
  reader.onload = () => resolve(String(reader.result));
  reader.onerror = () => reject(reader.error);
  reader.readAsDataURL(blob);
});

/**
 * @param {LiveStore} store
 * @param {import("./session.js").Session} session
 */
export function drawKept(store, session) {
  const tried = (/** @type {() => Promise<void>} */ work) => work().catch((error) => store.update({ wrong: messageOf(error), recording: null }));

  // packed makes an archive that check, comp and the playground open.
  const packed = async (/** @type {File[]} */ frames, /** @type {string} */ name) => {
    const { zip } = await import("../files/archive.js");
    const { ready, note, readings, slow } = store.value;
    /** @type {File[]} */
    const files = [];
    /** @type {Record<string, string>} */
    const places = { color: "color", band: "band" };
    for (const [kind, { color, band }] of Object.entries(session.references())) {
      for (const [plate, p] of /** @type {const} */ ([["color", color], ["band", band]])) {
        const file = `${kind}_${plate}.png`;
        files.push({ name: file, bytes: await png16(p) });
        places[`${kind}_${plate}`] = file;
      }
    }
    if (ready) {
      const { background: _, write: __, gain: ___, ...recipe } = ready.recipe;
      for (const kind of ["clean_color", "clean_band", "dark_color", "dark_band"]) delete recipe[kind];
      files.push({ name: "recipe.json", bytes: text(JSON.stringify({ ...recipe, ...places }, null, 2) + "\n") });
    }
    files.push({ name: "readings.json", bytes: text(JSON.stringify({ time: new Date().toISOString(), note, readings: [...readings, ...slow.filter((s) => !readings.some((r) => r.name === s.name))] }, null, 2) + "\n") });
    return download(await zip([...frames, ...files]), `${name}.zip`);
  };

  const still = () => tried(async () => {
    const { plates, shown } = await session.still();
    const time = Date.now();
    const names = ["color/0001.png", "band/0001.png", "composite.png", "matte.png"];
    await packed(await Promise.all([...plates, ...shown].map(async (blob, i) => ({ name: names[i], bytes: await bytesOf(blob) }))), `twinplate_still_${stamp(time)}`);
    store.update({ status: "The still is saved" });
  });

  const note = () => tried(async () => {
    const { plates, shown } = await session.still();
    const { readings, note, day } = store.value;
    const picture = await small(shown[0] ?? plates[0]);
    store.update({ day: [...day, { time: Date.now(), note, readings, picture: String(await dataURL(picture)) }], note: "", status: "Put on the sheet of the day" });
  });

  const shoot = () => tried(async () => {
    /** @type {{color: Blob, band: Blob}[]} */
    const taken = [];
    let bytes = 0;
    const began = performance.now();
    await new Promise((resolve) => {
      stop = () => resolve(undefined);
      session.recorder = ([color, band]) => {
        taken.push({ color, band });
        bytes += color.size + band.size;
        const ms = performance.now() - began;
        store.update({ recording: { frames: taken.length, seconds: ms / 1000 } });
        if (ms >= longest || bytes >= mostBytes) resolve(undefined);
      };
      session.tell({ record: true });
      store.update({ recording: { frames: 0, seconds: 0 } });
    });
    session.tell({ record: false });
    session.recorder = null;
    store.update({ recording: null });
    if (!taken.length) throw new Error("no frame came for the test shot: is the input running?");
    /** @type {File[]} */
    const files = [];
    for (const [i, { color, band }] of taken.entries()) {
      const number = String(i + 1).padStart(4, "0");
      files.push({ name: `color/${number}.jpg`, bytes: await bytesOf(color) }, { name: `band/${number}.jpg`, bytes: await bytesOf(band) });
    }
    await packed(files, `twinplate_test_${stamp(Date.now())}`);
    store.update({ status: `The test shot is saved: ${taken.length} frames` });
  });
  let stop = () => {};
  store.subscribe(["running"], ({ running }) => running || stop());

  const csv = () => {
    const names = [...new Set(session.log.flatMap((m) => Object.keys(m.verdicts)))];
    const rows = session.log.map((m) => [new Date(m.time).toISOString(), m.through, ...names.flatMap((n) => [m.values[n] ?? "", m.verdicts[n] ?? ""])].join(","));
    download(new Blob([[`time,through,${names.map((n) => `${n},${n}_verdict`).join(",")}`, ...rows, ""].join("\r\n")], { type: "text/csv" }), `twinplate_readings_${stamp(Date.now())}.csv`); // RFC 4180
  };

  store.show(["running", "ready", "recording", "day"], ({ running, ready, recording, day, note: words }) => fill($("kept"),
    el("h2", {}, "Keep"),
    el("label", {}, "A note", el("textarea", { rows: 2, value: words, oninput: (/** @type {Event} */ event) => store.update({ note: /** @type {HTMLTextAreaElement} */ (event.target).value }) })),
    el("div", { className: "row" },
      press("A still", still, { disabled: !running }),
      recording ? press(`Stop the test shot (${recording.frames} frames)`, () => stop(), { className: "main" }) : press("A test shot", shoot, { disabled: !running, title: "Up to a minute of both plates, for check, comp and the playground" }),
      press("The log as CSV", csv)),
    el("h3", {}, "The sheet of the day"),
    el("p", { className: "quiet" }, "Put the picture on it before and after each change of a flag: they stand side by side."),
    el("div", { className: "row" },
      press("Put it on the sheet", note, { disabled: !ready }),
      press("Save the sheet", () => download(new Blob([sheet(store.value.day)], { type: "text/html" }), `twinplate_day_${stamp(Date.now())}.html`), { disabled: !day.length })),
    day.length ? el("ul", { className: "day" }, day.map((k, i) => el("li", {}, el("img", { src: k.picture, alt: k.note || `picture ${i + 1}` }), `${new Date(k.time).toLocaleTimeString()} ${k.note}`, " ",
      press("Take it off", () => store.update({ day: store.value.day.filter((other) => other !== k) }))))) : null));
}

const width = 640; // of a picture on the sheet

/** @param {Blob} blob */
async function small(blob) {
  const bitmap = await createImageBitmap(blob);
  const canvas = new OffscreenCanvas(width, Math.round((bitmap.height * width) / bitmap.width));
  canvas.getContext("2d")?.drawImage(bitmap, 0, 0, canvas.width, canvas.height);
  return canvas.convertToBlob({ type: "image/jpeg", quality: 0.9 });
}

/**
 * png16 is a plate of 16 bits as a PNG file (ISO/IEC 15948), its lines unfiltered.
 * @param {import("../worker/files.js").Pixels} p
 */
async function png16({ width: w, height: h, data }) {
  const lines = new Uint8Array(h * (6 * w + 1));
  for (let y = 0; y < h; y++) lines.set(data.subarray(6 * w * y, 6 * w * (y + 1)), y * (6 * w + 1) + 1);
  const packed = new Uint8Array(await new Response(new Blob([lines]).stream().pipeThrough(new CompressionStream("deflate"))).arrayBuffer());
  const head = new Uint8Array(13);
  const view = new DataView(head.buffer);
  view.setUint32(0, w);
  view.setUint32(4, h);
  head.set([16, 2], 8); // bits a value; color
  return new Uint8Array(await new Blob([new Uint8Array([137, 80, 78, 71, 13, 10, 26, 10]), chunk("IHDR", head), chunk("IDAT", packed), chunk("IEND", new Uint8Array(0))]).arrayBuffer());
}

/**
 * @param {string} name
 * @param {Uint8Array} data
 */
function chunk(name, data) {
  const out = new Uint8Array(data.length + 12);
  const view = new DataView(out.buffer);
  view.setUint32(0, data.length);
  out.set(text(name), 4);
  out.set(data, 8);
  let crc = -1; // ISO/IEC 15948, annex D
  for (const v of out.subarray(4, data.length + 8)) {
    crc ^= v;
    for (let k = 0; k < 8; k++) crc = (crc >>> 1) ^ (crc & 1 ? 0xedb88320 : 0);
  }
  view.setUint32(data.length + 8, ~crc);
  return out;
}
