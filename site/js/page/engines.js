// The engines: one worker a core, a few at most. Calls wait here until a worker is free, so that
// what the user has moved on from is never begun.

/** @typedef {import("./operations.js").Operations} Operations */

/**
 * @typedef {object} Worked one engine
 * @property {Worker} port
 * @property {boolean} busy
 * @property {boolean} held it has not got the take yet: it does only what is asked of it by name
 * @property {number} [number] of the frame that it holds, or makes
 */

/**
 * @template {keyof Operations} K
 * @typedef {{result: Operations[K]["gives"], buffers: Uint8Array<ArrayBuffer>[], worker: Worked}} Answer
 */

/**
 * @typedef {object} How a call is to be made
 * @property {AbortSignal} [signal] drops a call that waits; one that runs ends at the next file that it would open
 * @property {boolean} [finish] one that runs is let end
 * @property {Worked} [worker] that is to do it; else the first that is free
 * @property {boolean} [urgent] it goes before others
 * @property {(name: string) => void} [stage] hears which part of its work begins
 */

/**
 * @typedef {How & {
 *   op: keyof Operations, args: Operations[keyof Operations]["takes"], id?: number, on?: Worked,
 *   resolve: (answer: Answer<keyof Operations>) => void, reject: (reason: unknown) => void}} Job
 */

const numberOf = (/** @type {Job["args"]} */ args) => ("number" in args ? args.number : undefined);

export class Engines {
  /** @type {Worked[]} */
  workers = [];
  /** @type {Job[]} */
  queue = [];
  /** @type {import("./state.js").Recipe} */
  finish = {}; // that frames are made with; it goes with every call
  /** @type {number | undefined} */
  at; // the frame that is looked at: the engine that holds it makes another only where no other is free
  /** @type {Map<number, Job>} */
  #calls = new Map(); // that run, by id
  #id = 0;
  #module;
  /** @type {Worker | undefined} */
  #decoder; // of clips' frames, for all engines

  /**
   * @param {Promise<WebAssembly.Module>} module the compiled engine: workers start meanwhile
   * @param {number} limit how many workers there may be; the first is used for what is done once a take
   */
  constructor(module, limit) {
    this.#module = module;
    this.limit = limit;
    /** Resolves to what the first engine tells of itself. */
    this.ready = this.add();
  }

  /**
   * add starts one more worker.
   * @returns {Promise<import("./operations.js").About>}
   */
  add() {
    // The build lays the workers' programs beside the page's.
    const port = new Worker(new URL("./worker.js", import.meta.url), { type: "module" });
    const worker = /** @type {Worked} */ ({ port, busy: false, held: this.workers.length > 0 });
    const started = new Promise((resolve, reject) => {
      port.onmessage = ({ data }) => {
        if (data.about) resolve(data.about);
        else if (data.fatal) {
          reject(new Error(data.fatal));
          this.#lost(worker, data.fatal);
        } else if (data.decoder) this.#decodes(data.decoder);
        else if (data.stage) this.#calls.get(data.id)?.stage?.(data.stage);
        else if (data.id !== undefined) this.#answered(worker, data);
      };
      port.onerror = (event) => {
        reject(new Error(event.message));
        this.#lost(worker, event.message ?? "a worker could not start");
      };
    });
    this.workers.push(worker);
    return this.#module.then((module) => (port.postMessage({ module }), started));
  }

  /**
   * #decodes lets an engine ask the worker that decodes clips.
   * @param {MessagePort} port
   */
  #decodes(port) {
    if (!this.#decoder) {
      this.#decoder = new Worker(new URL("./decode.js", import.meta.url), { type: "module" });
      this.#decoder.onerror = ({ message }) => {
        this.#decoder = undefined; // whoever asks next begins another
        for (const worker of this.workers) worker.port.postMessage({ undecoded: `clips cannot be decoded: ${message ?? "the worker for that could not start"}` });
      };
    }
    this.#decoder.postMessage({ port }, [port]);
  }

  /**
   * lay gives every worker the files of a take.
   * @param {import("./operations.js").Layout} files
   */
  lay(files) {
    for (const worker of this.workers) worker.port.postMessage({ files });
  }

  /**
   * call runs an operation on a worker.
   * @template {keyof Operations} K
   * @param {K} op
   * @param {Operations[K]["takes"]} args
   * @param {How} [how]
   * @returns {Promise<Answer<K>>}
   */
  call(op, args, { signal, worker, stage, urgent = false, finish = false } = {}) {
    return new Promise((resolve, reject) => {
      /** @type {Job} */
      const job = { op, args: { finish: this.finish, ...args }, signal, worker, stage, urgent, resolve: (answer) => resolve(/** @type {Answer<K>} */ (answer)), reject };
      signal?.addEventListener("abort", () => {
        if (job.id && finish) return;
        this.queue = this.queue.filter((other) => other !== job);
        if (job.id) job.on?.port.postMessage({ cancel: job.id });
        reject(signal.reason);
      }, { once: true });
      if (signal?.aborted) return reject(signal.reason);
      if (urgent) this.queue.unshift(job);
      else this.queue.push(job);
      this.pump();
    });
  }

  // pump gives what waits to the workers that are free: to one that holds the frame, where there is
  // one, and else to one that does not hold the frame that is looked at.
  pump() {
    for (let i = 0; i < this.queue.length; ) {
      const job = this.queue[i];
      const free = job.worker ? [job.worker].filter((worker) => !worker.busy) : this.workers.filter((worker) => !worker.busy && !worker.held);
      const number = numberOf(job.args);
      const worker = free.find((worker) => worker.number === number) ?? free.find((worker) => worker.number !== this.at) ?? free[0];
      if (!worker) {
        i++;
        continue;
      }
      this.queue.splice(i, 1);
      const id = ++this.#id;
      [job.id, job.on] = [id, worker];
      [worker.busy, worker.number] = [true, number ?? worker.number];
      this.#calls.set(id, job);
      worker.port.postMessage({ id, op: job.op, args: job.args });
    }
  }

  /**
   * @param {Worked} worker
   * @param {{id: number, result: Operations[keyof Operations]["gives"], buffers: Uint8Array<ArrayBuffer>[], error?: string}} answer
   */
  #answered(worker, { id, result, buffers, error }) {
    const job = this.#calls.get(id);
    this.#calls.delete(id);
    worker.busy = false;
    if (job) {
      job.id = undefined;
      if (error !== undefined) job.reject(new Error(error));
      else job.resolve({ result, buffers, worker });
    }
    this.pump();
  }

  /**
   * @param {Worked} worker
   * @param {string} why
   */
  #lost(worker, why) {
    for (const [id, job] of this.#calls) {
      if (job.on !== worker) continue;
      this.#calls.delete(id);
      job.reject(new Error(why));
    }
    this.workers = this.workers.filter((other) => other !== worker);
    worker.port.terminate();
  }

  /**
   * end lets a worker go.
   * @param {Worked} worker
   */
  end(worker) {
    this.#lost(worker, "this engine is not needed any more");
  }

  /**
   * replace puts the engine that was added last in another's place, with what waits for that one, which then
   * does only what is asked of it by name.
   * @param {Worked} worker
   */
  replace(worker) {
    const fresh = /** @type {Worked} */ (this.workers.pop());
    this.workers = this.workers.map((other) => (other === worker ? fresh : other));
    for (const job of this.queue) if (job.worker === worker) job.worker = fresh;
    this.pump();
  }

  // restart ends whatever runs, at once, and starts afresh with one worker.
  restart() {
    const canceled = new DOMException("canceled", "AbortError");
    for (const worker of this.workers) worker.port.terminate();
    for (const job of [...this.#calls.values(), ...this.queue]) job.reject(canceled);
    this.workers = [];
    this.queue = [];
    this.#calls.clear();
    this.ready = this.add();
    return this.ready;
  }
}
