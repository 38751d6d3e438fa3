// What the user has chosen, and the way back. Every change that can be undone goes through set; what only looks at
// a frame (its number, the view) does not.
export class State {
  constructor(value) {
    this.value = value;
    this.past = [];
    this.future = [];
    this.listeners = [];
  }

  on(listener) {
    this.listeners.push(listener);
  }

  // set merges a change. Changes of one kind that follow each other within a second are one step back.
  set(change, kind = "") {
    const now = performance.now();
    if (!(kind && kind === this.kind && now - this.time < 1000)) this.past.push(this.value);
    if (this.past.length > 100) this.past.shift();
    this.kind = kind;
    this.time = now;
    this.future = [];
    this.move({ ...this.value, ...change });
  }

  // begin makes the present value the first one: there is no way back from it.
  begin() {
    this.past = [];
    this.future = [];
    this.move(this.value);
  }

  undo() {
    if (!this.past.length) return;
    this.future.push(this.value);
    this.kind = "";
    this.move(this.past.pop());
  }

  redo() {
    if (!this.future.length) return;
    this.past.push(this.value);
    this.kind = "";
    this.move(this.future.pop());
  }

  move(value) {
    const before = this.value;
    this.value = value;
    for (const listener of this.listeners) listener(value, before);
  }
}
