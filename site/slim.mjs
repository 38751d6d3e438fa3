// What a Go program for WebAssembly carries and no browser needs.
//
// For each place of its code it has the file and the line that it was made from. They are for stack
// traces, and they are the part of it that compresses least: a twelfth of what travels. And what is
// made by vectors it has twice, once for processors that have none: a browser without vectors
// does not compile the program at all, so that code never runs.

const magic = 0xfffffff1; // internal/abi.Go120PCLnTabMagic, of Go 1.20 to 1.27 at least
const recordSize = 44; // bytes of runtime._func before its lists
// Where a record of runtime._func has what is read or changed here.
const field = { stack: 16, file: 20, line: 24, lists: 28, startLine: 36 };

/** @param {Buffer} wasm built with the names of its functions */
export const slim = (wasm) => withoutLines(withoutFallbacks(wasm));

// What Go 1.27 calls a function that uses package simd, where the processor has no vectors.
const fallback = /_simd0$/;

/**
 * withoutFallbacks returns the program without the names of its functions and without what is done
 * where there are no vectors: a trap stands there.
 * @param {Buffer} wasm
 */
function withoutFallbacks(wasm) {
  const trap = Buffer.from([3, 0, 0, 0x0b]); // its size, no locals, unreachable, end
  const unused = fallbacks(wasm);
  const parts = [wasm.subarray(0, headerSize)];
  for (const { id, at, r, end } of sections(wasm)) {
    if (id === section.custom) continue;
    if (id !== section.code) {
      parts.push(wasm.subarray(at, end));
      continue;
    }
    const count = r.number();
    const code = [leb128(count)];
    for (let i = 0; i < count; i++) {
      const start = r.at;
      r.skip(r.number());
      code.push(unused.has(i) ? trap : wasm.subarray(start, r.at));
    }
    const body = Buffer.concat(code);
    parts.push(Buffer.from([id]), leb128(body.length), body);
  }
  return Buffer.concat(parts);
}

/**
 * fallbacks returns which of the program's own functions are fallbacks, counted from 0.
 * @param {Buffer} wasm
 * @returns {Set<number>}
 */
function fallbacks(wasm) {
  const found = new Set();
  let imports = 0; // of functions: they are counted before the program's own
  for (const { id, r, end } of sections(wasm)) {
    if (id === section.import) {
      for (let n = r.number(); n > 0; n--) {
        r.skip(r.number()); // the module
        r.skip(r.number()); // the name
        if (r.number() !== 0) throw new Error("a program that imports something else than functions");
        r.number(); // the type
        imports++;
      }
    }
    if (id !== section.custom || r.text() !== "name") continue;
    while (r.at < end) {
      const [kind, size] = [r.number(), r.number()];
      if (kind !== 1) { // not the names of functions
        r.skip(size);
        continue;
      }
      for (let n = r.number(); n > 0; n--) {
        const index = r.number();
        if (fallback.test(r.text())) found.add(index - imports);
      }
    }
  }
  return found;
}

/**
 * withoutLines returns the program with zeros where its lines and files stood: stack traces name
 * functions alone.
 * It throws where the program's table of functions is not laid out as it is known here.
 * @param {Buffer} wasm
 */
function withoutLines(wasm) {
  const memory = new Memory(wasm);
  const table = memory.find(Buffer.from(new Uint32Array([magic, 0x08010000]).buffer)); // instructions of one byte, pointers of eight
  const header = (/** @type {number} */ i) => memory.uint32(table + 8 + 8 * i);
  const [count, places, functions] = [header(0), table + header(6), table + header(7)];
  const records = Array.from({ length: count }, (_, i) => functions + memory.uint32(functions + 8 * i + 4));
  const ends = new Set([functions]); // of the lists of numbers by place, which follow each other
  const used = new Set(); // those that other things than lines are read from
  const lines = new Set();
  for (const record of records) {
    const lists = Array.from({ length: memory.uint32(record + field.lists) }, (_, i) => memory.uint32(record + recordSize + 4 * i));
    for (const at of [memory.uint32(record + field.stack), ...lists]) used.add(places + at);
    for (const name of /** @type {const} */ (["file", "line"])) lines.add(places + memory.uint32(record + field[name]));
  }
  for (const at of [...used, ...lines]) {
    if (at < places || at >= functions) throw new Error("this Go's table of functions is laid out in another way: see site/slim.mjs");
    ends.add(at);
  }
  const order = [...ends].sort((a, b) => a - b);
  order.forEach((at, i) => {
    if (lines.has(at) && !used.has(at)) memory.clear(at, order[i + 1]);
  });
  // The files' names, and which of them belong to which package: read by way of those lists alone.
  memory.clear(table + header(4), places);
  // A list at 0 is none, and the runtime then says "?" for the file.
  for (const record of records) for (const name of /** @type {const} */ (["file", "line", "startLine"])) memory.clear(record + field[name], record + field[name] + 4);
  return memory.program();
}

/** Memory is what a program's memory begins with, as its data section lays it down. */
class Memory {
  /** @type {{at: number, from: number, size: number}[]} */
  #parts = []; // in order of where they go
  #bytes;
  #wasm;

  /** @param {Buffer} wasm */
  constructor(wasm) {
    this.#wasm = wasm;
    for (const { id, r } of sections(wasm)) {
      if (id !== section.data) continue;
      for (let n = r.number(); n > 0; n--) {
        if (r.number() !== 0 || r.number() !== 0x41) throw new Error("a data segment that is not at a constant place of memory 0");
        const at = r.number(true);
        r.skip(1); // end
        const size = r.number();
        this.#parts.push({ at, from: r.at, size });
        r.skip(size);
      }
    }
    this.#bytes = Buffer.alloc(Math.max(0, ...this.#parts.map(({ at, size }) => at + size)));
    for (const { at, from, size } of this.#parts) wasm.copy(this.#bytes, at, from, from + size);
  }

  /** @param {number} at */
  uint32(at) {
    return this.#bytes.readUInt32LE(at);
  }

  /**
   * find returns where these bytes stand: once, or it throws.
   * @param {Buffer} bytes
   */
  find(bytes) {
    const at = this.#bytes.indexOf(bytes);
    if (at < 0 || this.#bytes.includes(bytes, at + 1)) throw new Error("no table of functions as Go 1.20 to 1.27 write it");
    return at;
  }

  /**
   * clear lays zeros from one place up to another.
   * @param {number} start
   * @param {number} end
   */
  clear(start, end) {
    this.#bytes.fill(0, start, end);
  }

  // program returns the program with what its memory begins with now. What lies between the parts is
  // zero and stays so.
  program() {
    const wasm = Buffer.from(this.#wasm);
    for (const { at, from, size } of this.#parts) this.#bytes.copy(wasm, from, at, at + size);
    return wasm;
  }
}

const headerSize = 8; // the magic number and the version
const section = { custom: 0, import: 2, code: 10, data: 11 };

/**
 * sections goes through the program's sections; r reads from where the content of one begins.
 * @param {Buffer} wasm
 */
function* sections(wasm) {
  for (let at = headerSize; at < wasm.length; ) {
    const r = new Reader(wasm, at);
    const id = r.number();
    const end = r.number() + r.at;
    yield { id, at, r, end };
    at = end;
  }
}

class Reader {
  #wasm;

  /**
   * @param {Buffer} wasm
   * @param {number} at
   */
  constructor(wasm, at) {
    this.#wasm = wasm;
    this.at = at;
  }

  // number reads one in LEB128.
  number(signed = false) {
    let [value, shift, byte] = [0, 0, 0];
    do {
      byte = this.#wasm[this.at++];
      value += (byte & 127) * 2 ** shift;
      shift += 7;
    } while (byte & 128);
    return signed && byte & 64 ? value - 2 ** shift : value;
  }

  text() {
    const size = this.number();
    this.skip(size);
    return this.#wasm.toString("utf8", this.at - size, this.at);
  }

  /** @param {number} n */
  skip(n) {
    this.at += n;
  }
}

/** @param {number} value */
function leb128(value) {
  const bytes = [];
  for (; value > 127; value = Math.floor(value / 128)) bytes.push((value & 127) | 128);
  return Buffer.from([...bytes, value]);
}
