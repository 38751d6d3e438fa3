// The viewer's frame: starts viewer.wasm, gives its canvas the frame's size in device pixels, and
// lets it sleep.
(() => {
  "use strict";

  // Ebitengine asks for an animation frame after every frame. It gets one only after a wake-up, so
  // that a picture that stands still costs nothing.
  const animationFrame = window.requestAnimationFrame.bind(window);
  /** @type {FrameRequestCallback | null} */
  let waiting = null;
  let wanted = true;
  window.requestAnimationFrame = (draw) => {
    if (wanted) {
      wanted = false;
      return animationFrame(draw);
    }
    waiting = draw;
    return 0;
  };
  const wake = () => {
    if (waiting) {
      animationFrame(waiting);
      waiting = null;
    } else {
      wanted = true;
    }
  };
  Object.assign(window, { twinplateViewerWake: wake }); // wasm/viewer calls it

  // Ebitengine asks for gamepads in every frame, and a browser that was asked once goes on looking for them.
  Object.defineProperty(navigator, "getGamepads", { value: () => null });

  // Ebitengine takes the canvas's size from the body's, in CSS pixels, and keeps the ratio to
  // device pixels that it finds first. It gets the exact number of device pixels as the body's size
  // instead, now and whenever it changes.
  const root = document.documentElement;
  /** @type {{width: number, height: number, exact?: ResizeObserverSize} | null} */
  let size = null; // of the frame in CSS pixels, and in device pixels where the browser tells
  const measure = () => {
    if (!size) return;
    const ratio = window.devicePixelRatio;
    const pixels = (/** @type {number} */ css, exact = NaN) => (Math.abs(exact - css * ratio) < 1 ? exact : Math.round(css * ratio));
    const wanted = {
      clientWidth: pixels(size.width, size.exact?.inlineSize),
      clientHeight: pixels(size.height, size.exact?.blockSize),
    };
    const { body } = document;
    if (Object.entries(wanted).every(([name, value]) => Object.getOwnPropertyDescriptor(body, name)?.value === value)) return;
    for (const [name, value] of Object.entries(wanted)) {
      Object.defineProperty(body, name, { value, configurable: true });
    }
    window.dispatchEvent(new Event("resize"));
  };
  const observer = new ResizeObserver(([entry]) => {
    const { width, height } = entry.contentRect;
    size = { width, height, exact: entry.devicePixelContentBoxSize?.[0] };
    measure();
  });
  window.addEventListener("resize", (event) => {
    if (!event.isTrusted) return;
    event.stopImmediatePropagation(); // Ebitengine hears of it by measure
    measure(); // the ratio may have changed
  }, true);

  root.style.height = "100%";
  root.style.overflow = "hidden";
  root.style.background = "rgb(48 48 48)";
  try {
    observer.observe(root, { box: "device-pixel-content-box" });
  } catch {
    observer.observe(root);
  }

  const fail = (/** @type {unknown} */ error) => {
    for (const target of [window, window.frameElement]) {
      target?.dispatchEvent(new CustomEvent("twinplate-viewer-failed", { detail: String(error) }));
    }
  };
  const start = async (/** @type {string} */ path) => {
    const { Go } = /** @type {import("./go.js").Runner} */ (/** @type {unknown} */ (window));
    const go = new Go();
    const response = await fetch(path);
    if (!response.ok) throw new Error(`${path}: ${response.status} ${response.statusText}`);
    const typed = response.headers.get("Content-Type")?.startsWith("application/wasm");
    const { instance } = typed
      ? await WebAssembly.instantiateStreaming(response, go.importObject)
      : await WebAssembly.instantiate(await response.arrayBuffer(), go.importObject);
    await go.run(instance);
  };
  start(document.currentScript?.dataset.wasm ?? "viewer.wasm").catch(fail);
})();
