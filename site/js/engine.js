// The engines: one worker a core, a few at most. Calls wait here until a worker is free, so that what the user has
// moved on from is never begun.

export class Engines {
  // Module is a promise of the compiled engine: workers start meanwhile. Limit is how many workers there may be; the first
  // is used for what is done once a take.
  constructor(module, limit) {
    this.module = module;
    this.limit = limit;
    this.workers = [];
    this.queue = [];
    this.calls = new Map();
    this.id = 0;
    this.ready = this.add();
  }

  // add starts one more worker and gives it what the others have.
  add() {
    // A worker that is held has not got the take yet: it does only what is asked of it by name.
    const worker = { port: new Worker(new URL("./worker.js", import.meta.url), { type: "module" }), busy: false, held: this.workers.length > 0 };
    const started = new Promise((resolve, reject) => {
      worker.port.onmessage = ({ data }) => {
        if (data.started) resolve();
        else if (data.fatal) {
          reject(new Error(data.fatal));
          this.lost(worker, data.fatal);
        } else this.answered(worker, data);
      };
      worker.port.onerror = (event) => {
        reject(new Error(event.message));
        this.lost(worker, event.message ?? "a worker could not start");
      };
    });
    this.workers.push(worker);
    return this.module.then((module) => (worker.port.postMessage({ module }), started));
  }

  // lay gives every worker the files of a take: see worker.js.
  lay(files) {
    for (const worker of this.workers) worker.port.postMessage({ files });
  }

  // call runs op on a worker: on the given one, or on the first that is free. Signal drops a call that waits; one that runs
  // ends at the next file that it would open, unless it is to finish. Urgent calls go before others.
  call(op, args, { signal, worker, urgent = false, finish = false } = {}) {
    return new Promise((resolve, reject) => {
      const job = { op, args, signal, worker, urgent, resolve, reject };
      signal?.addEventListener("abort", () => {
        if (job.id && finish) return;
        this.queue = this.queue.filter((other) => other !== job);
        if (job.id) job.on.port.postMessage({ cancel: job.id });
        reject(signal.reason);
      }, { once: true });
      if (signal?.aborted) return reject(signal.reason);
      if (urgent) this.queue.unshift(job);
      else this.queue.push(job);
      this.pump();
    });
  }

  // pump gives what waits to the workers that are free: to one that is at the frame, where there is one.
  pump() {
    for (let i = 0; i < this.queue.length; ) {
      const job = this.queue[i];
      const free = this.workers.filter((worker) => !worker.busy && (job.worker ? job.worker === worker : !worker.held));
      const worker = free.find((worker) => worker.number === job.args?.number) ?? free[0];
      if (!worker) {
        i++;
        continue;
      }
      this.queue.splice(i, 1);
      [job.id, job.on] = [++this.id, worker];
      [worker.busy, worker.number] = [true, job.args?.number];
      this.calls.set(job.id, job);
      worker.port.postMessage({ id: job.id, op: job.op, args: job.args });
    }
  }

  answered(worker, { id, result, buffers, error }) {
    const job = this.calls.get(id);
    this.calls.delete(id);
    worker.busy = false;
    if (job) {
      job.id = null;
      if (error !== undefined) job.reject(new Error(error));
      else job.resolve({ result, buffers, worker });
    }
    this.pump();
  }

  lost(worker, why) {
    for (const [id, job] of this.calls) {
      if (job.on !== worker) continue;
      this.calls.delete(id);
      job.reject(new Error(why));
    }
    this.workers = this.workers.filter((other) => other !== worker);
    worker.port.terminate();
  }

  // restart ends whatever runs, at once, and starts afresh with one worker.
  restart() {
    const cancelled = new DOMException("cancelled", "AbortError");
    for (const worker of this.workers) worker.port.terminate();
    for (const job of [...this.calls.values(), ...this.queue]) job.reject(cancelled);
    this.workers = [];
    this.queue = [];
    this.calls.clear();
    this.ready = this.add();
    return this.ready;
  }
}
