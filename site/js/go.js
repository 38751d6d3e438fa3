// Go's programs in the browser: wasm_exec.js, which the build lays beside the modules, runs them.

/** @typedef {{importObject: WebAssembly.Imports, run: (instance: WebAssembly.Instance) => Promise<void>}} Program */
/** @typedef {{Go: new () => Program}} Runner what wasm_exec.js gives a page or a worker */

export async function program() {
  await import(new URL("./wasm_exec.js", import.meta.url).href);
  const { Go } = /** @type {Runner} */ (/** @type {unknown} */ (globalThis));
  return new Go();
}
