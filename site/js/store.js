// The store: all that the page knows, in one value whose fields are replaced and never changed in
// place. Who draws or acts on some of them subscribes to their names. What the user chooses can be
// undone; the rest cannot, and need not.

const most = 100; // steps back that are kept: a value shares what did not change with the one before
const oneStep = 1000; // ms: changes of one kind that follow each other within are one step back, as a slider's are

/**
 * @template {object} T what the store holds
 * @typedef {(value: T, before: T) => void} Listener
 */

/**
 * @template {object} T what the store holds
 * @template {keyof T & string} C the names of those of its fields that undo takes back
 */
export class Store {
  /** @type {{fields: readonly (keyof T)[], listener: Listener<T>}[]} */
  #listeners = [];
  /** @type {[T, T][]} */
  #news = []; // changes that not everybody has heard of
  #telling = false;
  /** @type {Pick<T, C>[]} */
  #past = [];
  /** @type {Pick<T, C>[]} */
  #future = [];
  /** @type {{kind: string, time: number}} */
  #last = { kind: "", time: 0 };
  #chosen;

  /**
   * @param {T} value to begin with
   * @param {readonly C[]} chosen
   */
  constructor(value, chosen) {
    this.value = value;
    this.#chosen = chosen;
  }

  /**
   * subscribe has a listener called after each change of one of the fields. Changes that a listener
   * makes are told after the one that it was told of.
   * @param {readonly (keyof T)[]} fields
   * @param {Listener<T>} listener
   */
  subscribe(fields, listener) {
    this.#listeners.push({ fields, listener });
  }

  /**
   * show is subscribe for what draws: it is called now, too.
   * @param {readonly (keyof T)[]} fields
   * @param {(value: T) => void} draw
   */
  show(fields, draw) {
    this.subscribe(fields, draw);
    draw(this.value);
  }

  /**
   * update makes a change that cannot be undone.
   * @param {Partial<T>} change
   */
  update(change) {
    const before = this.value;
    this.value = { ...before, ...change };
    this.#news.push([this.value, before]);
    if (this.#telling) return;
    this.#telling = true;
    try {
      for (let news; (news = this.#news.shift()); ) {
        const [value, old] = news;
        for (const { fields, listener } of this.#listeners) if (fields.some((name) => value[name] !== old[name])) listener(value, old);
      }
    } finally {
      this.#telling = false;
    }
  }

  /**
   * choose makes a change that can be undone. One that changes nothing is no step.
   * @param {Partial<Pick<T, C>>} change
   * @param {string} [kind]
   */
  choose(change, kind = "") {
    if (this.#chosen.every((name) => !(name in change) || change[name] === this.value[name])) return;
    const time = performance.now();
    if (!(kind && kind === this.#last.kind && time - this.#last.time < oneStep)) this.#past.push(this.#choice());
    if (this.#past.length > most) this.#past.shift();
    this.#last = { kind, time };
    this.#future = [];
    this.update(/** @type {Partial<T>} */ (change));
  }

  undo() {
    this.#step(this.#past, this.#future);
  }

  redo() {
    this.#step(this.#future, this.#past);
  }

  get canUndo() {
    return this.#past.length > 0;
  }

  get canRedo() {
    return this.#future.length > 0;
  }

  /**
   * @param {Pick<T, C>[]} from
   * @param {Pick<T, C>[]} to
   */
  #step(from, to) {
    const choice = from.pop();
    if (!choice) return;
    to.push(this.#choice());
    this.#last.kind = "";
    this.update(/** @type {Partial<T>} */ (choice));
  }

  #choice() {
    return /** @type {Pick<T, C>} */ (Object.fromEntries(this.#chosen.map((name) => [name, this.value[name]])));
  }
}
