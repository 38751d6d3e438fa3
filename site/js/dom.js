// A few words for making elements, and what a hand gives the page: files chosen and dropped.

/** @typedef {import("./page/sort.js").Dropped} Dropped */
/** @typedef {Node | string | null | undefined} Child */

/**
 * el makes an element: attributes by name, "on..." as listeners, and children.
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} name
 * @param {Record<string, unknown>} [attributes]
 * @param {...(Child | Child[] | Child[][])} children
 * @returns {HTMLElementTagNameMap[K]}
 */
export function el(name, attributes = {}, ...children) {
  const node = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith("on")) node.addEventListener(key.slice(2), /** @type {EventListener} */ (value));
    else if (key in node && key !== "list" && key !== "form") Object.assign(node, { [key]: value });
    else node.setAttribute(key, value === true ? "" : String(value));
  }
  node.append(...some(children));
  return node;
}

/**
 * fill puts children into an element in place of what it has; null is none.
 * @param {Element | ShadowRoot} into
 * @param {...(Child | Child[] | Child[][])} children
 */
export const fill = (into, ...children) => into.replaceChildren(...some(children));

/** @param {(Child | Child[] | Child[][])[]} children */
const some = (children) => /** @type {Child[]} */ (children.flat(2)).filter((child) => child !== null && child !== undefined);

/**
 * $ returns an element of the page's own text by its id.
 * @param {string} id
 */
export function $(id) {
  const found = document.getElementById(id);
  if (!found) throw new Error(`the page has no element #${id}`);
  return found;
}

export const button = (/** @type {string} */ id) => /** @type {HTMLButtonElement} */ ($(id));
export const input = (/** @type {string} */ id) => /** @type {HTMLInputElement} */ ($(id));
export const select = (/** @type {string} */ id) => /** @type {HTMLSelectElement} */ ($(id));
export const dialog = (/** @type {string} */ id) => /** @type {HTMLDialogElement} */ ($(id));

/**
 * onInput makes a listener of one that takes the field's value; onTick, of one that takes whether
 * it is ticked.
 * @param {(value: string) => void} change
 */
export const onInput = (change) => (/** @type {Event} */ event) => change(/** @type {HTMLInputElement | HTMLSelectElement} */ (event.target).value);

/** @param {(on: boolean) => void} change */
export const onTick = (change) => (/** @type {Event} */ event) => change(/** @type {HTMLInputElement} */ (event.target).checked);

/**
 * choice makes a labeled select of [value, text] pairs. A value that is none of them stands for
 * itself.
 * @param {string} text
 * @param {string[][]} options
 * @param {string} value
 * @param {(value: string) => void} change
 */
export function choice(text, options, value, change) {
  const all = options.some(([v]) => v === value) ? options : [[value, value], ...options];
  return el("label", {}, text,
    el("select", { onchange: onInput(change) }, all.map(([v, t]) => el("option", { value: v, selected: v === value }, t))));
}

/**
 * tick makes a labeled check box.
 * @param {string} text
 * @param {boolean} checked
 * @param {(on: boolean) => void} change
 */
export const tick = (text, checked, change) => el("label", { className: "check" }, el("input", { type: "checkbox", checked, onchange: onTick(change) }), text);

/**
 * press makes a button.
 * @param {string} text
 * @param {() => void} act
 * @param {Record<string, unknown>} [attributes]
 */
export const press = (text, act, attributes = {}) => el("button", { type: "button", onclick: () => act(), ...attributes }, text);

/**
 * files makes a button that opens the browser's chooser, for files or for a folder.
 * @param {string} text
 * @param {boolean} folder
 * @param {(list: Dropped[]) => void} change
 */
export function files(text, folder, change) {
  const node = el("input", { type: "file", multiple: true, onchange: () => {
    change([...(node.files ?? [])].map((file) => ({ path: file.webkitRelativePath || file.name, file })));
    node.value = "";
  } });
  node.webkitdirectory = folder;
  return el("label", { className: "file-button" }, node, text);
}

/**
 * fileOf makes a button that opens the browser's chooser for one file.
 * @param {string} text
 * @param {string} accept
 * @param {(file: File) => void} open
 */
export function fileOf(text, accept, open) {
  const node = el("input", { type: "file", accept, onchange: () => {
    if (node.files?.[0]) open(node.files[0]);
    node.value = "";
  } });
  return el("label", { className: "file-button" }, node, text);
}

/**
 * dropped returns what was dropped, folders and all.
 * @param {DataTransfer | null} transfer
 */
export async function dropped(transfer) {
  const entries = [...(transfer?.items ?? [])].map((item) => item.webkitGetAsEntry?.()).filter((entry) => entry !== null);
  if (!entries.length) return [...(transfer?.files ?? [])].map((file) => ({ path: file.name, file }));
  /** @type {Dropped[]} */
  const out = [];
  /** @type {(entry: FileSystemEntry, folder: string) => Promise<void>} */
  const walk = async (entry, folder) => {
    if (entry.isFile) {
      /** @type {File} */
      const file = await new Promise((resolve, reject) => /** @type {FileSystemFileEntry} */ (entry).file(resolve, reject));
      if (!file.name.startsWith(".")) out.push({ path: folder + entry.name, file });
      return;
    }
    const reader = /** @type {FileSystemDirectoryEntry} */ (entry).createReader();
    for (;;) {
      /** @type {FileSystemEntry[]} */
      const some = await new Promise((resolve, reject) => reader.readEntries(resolve, reject));
      if (!some.length) return;
      for (const child of some) await walk(child, folder + entry.name + "/");
    }
  };
  for (const entry of entries) await walk(entry, "");
  return out;
}

/**
 * download has the browser save a file.
 * @param {Blob} blob
 * @param {string} name
 */
export function download(blob, name) {
  const link = el("a", { href: URL.createObjectURL(blob), download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(link.href), 60_000); // ms: a browser may ask where to first
}

/**
 * paint makes a canvas a picture of sRGB.
 * @param {HTMLCanvasElement} canvas
 * @param {Uint8Array<ArrayBuffer>} rgba
 * @param {number} w
 * @param {number} h
 */
export function paint(canvas, rgba, w, h) {
  [canvas.width, canvas.height] = [w, h];
  canvas.getContext("2d")?.putImageData(new ImageData(new Uint8ClampedArray(rgba.buffer, rgba.byteOffset, 4 * w * h), w, h), 0, 0);
}
