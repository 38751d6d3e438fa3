// A take in the engines: its files laid out, opened, made ready, and its frames asked for and kept.
import { isClip } from "./sort.js";

export const stations = [
  { id: "color", title: "Color", op: "" },
  { id: "band", title: "Band", op: "" },
  { id: "transmission", title: "Transmission", op: "÷ screen" },
  { id: "held", title: "Held out", op: "× background" },
  { id: "foreground", title: "Foreground", op: "+" },
  { id: "sum", title: "Sum", op: "=" },
];

const thumbWidth = 192;

const size = (picture) => 2 * (picture.hi?.length ?? 0);

export class Take {
  // Budget is how many bytes of finished pictures are kept; shows reports whether a picture is
  // shown.
  constructor(engines, budget, shows) {
    this.shows = shows;
    this.engines = engines;
    this.budget = budget;
    this.cache = new Map();
    this.bytes = 0;
    this.generation = 0; // counts the takes
    this.frames = [];
  }

  // open lays out the wells' files and opens them; prepare must follow. Wells are {well: [{name, file | url | clip,
  // index}]}, settings are the recipe's fields.
  async open(wells, settings) {
    this.forget();
    for (const worker of this.engines.workers.slice(1)) worker.held = true;
    const put = [];
    const recipe = { version: 1, ...settings };
    for (const [well, entries] of Object.entries(wells)) {
      if (!entries?.length || well === "green") continue;
      for (const e of entries) put.push([`/take/${well}/${e.name}`, e.file ?? (e.url ? { url: e.url } : { clip: e.clip, index: e.index })]);
      recipe[well] = entries.length === 1 ? `${well}/${entries[0].name}` : well;
    }
    put.push(["/take/recipe.json", new TextEncoder().encode(JSON.stringify(recipe))]);
    for (const e of wells.green ?? []) put.push([`/green/${e.name}`, { url: e.url }]);
    this.files = { clear: ["/take"], put };
    this.engines.lay(this.files);
    const { result } = await this.engines.call("open", { path: "/take/recipe.json" }, { worker: this.engines.workers[0], urgent: true });
    this.frames = result.frames.map((f) => f.Number);
    this.opened = result;
    this.wells = wells;
    return result;
  }

  // prepare estimates what the recipe does not give, on one worker.
  async prepare() {
    const { result } = await this.engines.call("prepare", { path: "/take/resolved.json" }, { worker: this.engines.workers[0], urgent: true });
    this.prepared = result;
    return result;
  }

  // share readies the other workers with what the first has found, and adds some where there is room.
  async share() {
    const resolved = new TextEncoder().encode(JSON.stringify(this.prepared.recipe));
    const { w, h } = this.prepared;
    const each = 100 * w * h; // bytes that an engine holds of a take, measured at 1920x1080
    const limit = Math.max(1, Math.min(this.engines.limit, Math.floor(1.5e9 / each)));
    for (let i = 1; i < limit; i++) {
      const fresh = i >= this.engines.workers.length;
      const started = fresh && this.engines.add();
      const worker = this.engines.workers[i];
      if (fresh) {
        await this.still(started);
        worker.port.postMessage({ files: this.files });
      }
      worker.port.postMessage({ files: { put: [["/take/resolved.json", resolved]] } });
      await this.still(this.engines.call("open", { path: "/take/resolved.json" }, { worker, urgent: true }));
      await this.still(this.engines.call("prepare", { path: "/take/again.json" }, { worker, urgent: true }));
      worker.held = false;
      this.engines.pump();
    }
  }

  // still waits for a promise about this take. Where another take was opened meanwhile it gives up, whatever came of it.
  async still(promise) {
    const { generation } = this;
    const end = await promise.then((value) => ({ value }), (error) => ({ error }));
    if (generation !== this.generation) throw new DOMException("another take is open", "AbortError");
    if (end.error) throw end.error;
    return end.value;
  }

  key(number, breaks, station) {
    return `${number} ${JSON.stringify(breaks)} ${station}`;
  }

  cached(number, breaks, station) {
    const key = this.key(number, breaks, station);
    const found = this.cache.get(key);
    if (found) {
      this.cache.delete(key);
      this.cache.set(key, found);
    }
    return found;
  }

  // want returns the pictures of these stations of a frame, from the cache or from an engine. Quick ones may be rough,
  // made of what the browser has decoded: those are to look at until the library's own are there, and are not kept.
  async want(number, breaks, names, { thumbs = [], quick = false, ...how } = {}) {
    const missing = names.filter((name) => !this.cached(number, breaks, name));
    const fresh = new Map();
    let reply = { thumbs: [], rough: false };
    if (missing.length || thumbs.length) {
      const { result, buffers, worker } = await this.still(this.engines.call("frame", { number, breaks, stations: missing, thumbs, width: thumbWidth, quick }, how));
      let next = 0;
      for (const p of result.pictures) {
        const picture = { ...p, number, lender: worker };
        if (!p.missing) [picture.hi, picture.lo] = [buffers[next++], buffers[next++]];
        fresh.set(p.station, picture);
        if (!result.rough) this.keep(this.key(number, breaks, p.station), picture);
      }
      reply = { rough: result.rough, thumbs: result.thumbs.map((t) => ({ ...t, rgba: t.missing ? null : buffers[next++] })) };
    }
    return { pictures: names.map((name) => fresh.get(name) ?? this.cached(number, breaks, name)), ...reply };
  }

  // spent gives the memory of a picture that is shown no more back to the worker that made it, unless it is kept.
  spent(picture) {
    const { lender, hi, lo } = picture;
    if (!lender || !hi || picture.kept) return;
    picture.lender = null;
    lender.port.postMessage({ spare: [hi, lo] }, [hi.buffer, lo.buffer]);
  }

  keep(key, picture) {
    this.drop(key);
    this.cache.set(key, picture);
    picture.kept = true;
    this.bytes += size(picture);
    for (const [old, p] of this.cache) {
      if (this.bytes <= this.budget || old === key) break;
      this.drop(old);
      // One of the same frame may be about to be shown.
      if (p.number !== picture.number && !this.shows(p)) this.spent(p);
    }
  }

  drop(key) {
    const picture = this.cache.get(key);
    if (!picture) return;
    this.cache.delete(key);
    this.bytes -= size(picture);
    picture.kept = false;
  }

  clear() {
    for (const key of [...this.cache.keys()]) this.drop(key);
  }

  forget() {
    this.clear();
    this.prepared = null;
    this.generation++;
  }
}

// expand turns a well's dropped entries into frames: a clip becomes as many as it has.
export async function expand(entries, openClip) {
  const out = [];
  for (const { path, file } of entries) {
    const name = path.split("/").at(-1);
    if (!isClip(name)) {
      out.push({ name, path, file });
      continue;
    }
    const clip = await openClip(file);
    for (let i = 0; i < clip.frames; i++) out.push({ name: `${String(i + 1).padStart(6, "0")}.y4m`, clip, index: i, from: name, fps: clip.fps.average });
  }
  return out;
}
