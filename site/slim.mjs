// A Go program for WebAssembly carries, for each place of its code, the file and the line that it was
// made from. They are for stack traces, and they are the part of it that compresses least: a twelfth
// of what travels.

const magic = 0xfffffff1; // internal/abi.Go120PCLnTabMagic, of Go 1.20 to 1.27 at least
const recordSize = 44; // bytes of runtime._func before its lists
// Where a record of runtime._func has what is read or changed here.
const field = { stack: 16, file: 20, line: 24, lists: 28, startLine: 36 };

/**
 * withoutLines returns the program with zeros where its lines and files stood: stack traces name
 * functions alone.
 * It throws where the program's table of functions is not laid out as it is known here.
 * @param {Buffer} wasm
 */
export function withoutLines(wasm) {
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
    if (at < places || at >= functions) throw new Error("this Go's table of functions is laid out in another way: see site/lines.mjs");
    ends.add(at);
  }
  const order = [...ends].sort((a, b) => a - b);
  order.forEach((at, i) => {
    if (lines.has(at) && !used.has(at)) memory.clear(at, order[i + 1]);
  });
  // A list at 0 is none, and the runtime then says "?" for the file.
  for (const record of records) for (const name of /** @type {const} */ (["file", "line", "startLine"])) memory.clear(record + field[name], record + field[name] + 4);
  return memory.program();
}

/** Memory is what a program's memory begins with, as its data section lays it down. */
class Memory {
  /** @type {{at: number, from: number, size: number}[]} */
  #parts = []; // in order of where they go
  #bytes = Buffer.alloc(0);
  #wasm;

  /** @param {Buffer} wasm */
  constructor(wasm) {
    this.#wasm = wasm;
    let p = 8; // after the magic number and version
    const number = (signed = false) => { // LEB128
      let [value, shift, byte] = [0, 0, 0];
      do {
        byte = wasm[p++];
        value += (byte & 127) * 2 ** shift;
        shift += 7;
      } while (byte & 128);
      return signed && byte & 64 ? value - 2 ** shift : value;
    };
    while (p < wasm.length) {
      const section = wasm[p++];
      const size = number();
      const next = p + size;
      if (section === 11) {
        for (let n = number(); n > 0; n--) {
          const [kind, opcode] = [number(), wasm[p++]];
          if (kind !== 0 || opcode !== 0x41) throw new Error("a data segment that is not at a constant place of memory 0");
          const at = number(true);
          p++; // end
          const size = number();
          this.#parts.push({ at, from: p, size });
          p += size;
        }
      }
      p = next;
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
