// The viewer's frame: starts viewer.wasm, gives its canvas the frame's size in device pixels, and lets it sleep.
(() => {
  "use strict";

  // Ebitengine asks for an animation frame after every frame. It gets one only after a wake-up, so that a picture
  // that stands still costs nothing.
  const animationFrame = window.requestAnimationFrame.bind(window);
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
  window.twinplateViewerWake = () => {
    if (waiting) {
      animationFrame(waiting);
      waiting = null;
    } else {
      wanted = true;
    }
  };

  // Ebitengine takes the canvas's size from the body's, in CSS pixels, and keeps the ratio to device pixels that it
  // finds first. It gets the exact number of device pixels as the body's size instead, now and whenever it changes.
  const root = document.documentElement;
  const resize = (width, height) => {
    Object.defineProperty(document.body, "clientWidth", { value: width, configurable: true });
    Object.defineProperty(document.body, "clientHeight", { value: height, configurable: true });
    window.dispatchEvent(new Event("resize"));
  };
  window.addEventListener("resize", (event) => {
    if (event.isTrusted) event.stopImmediatePropagation(); // the observer below knows better
  }, true);
  const observer = new ResizeObserver(([entry]) => {
    const exact = entry.devicePixelContentBoxSize?.[0];
    const ratio = window.devicePixelRatio;
    resize(
      exact ? exact.inlineSize : Math.round(entry.contentRect.width * ratio),
      exact ? exact.blockSize : Math.round(entry.contentRect.height * ratio),
    );
  });

  root.style.height = "100%";
  root.style.overflow = "hidden";
  root.style.background = "rgb(48 48 48)";
  try {
    observer.observe(root, { box: "device-pixel-content-box" });
  } catch {
    observer.observe(root);
  }

  const fail = (error) => {
    for (const target of [window, window.frameElement]) {
      target?.dispatchEvent(new CustomEvent("twinplate-viewer-failed", { detail: String(error) }));
    }
  };
  const start = async (path) => {
    const go = new Go();
    const response = await fetch(path);
    if (!response.ok) throw new Error(`${path}: ${response.status} ${response.statusText}`);
    const typed = response.headers.get("Content-Type")?.startsWith("application/wasm");
    const { instance } = typed
      ? await WebAssembly.instantiateStreaming(response, go.importObject)
      : await WebAssembly.instantiate(await response.arrayBuffer(), go.importObject);
    await go.run(instance);
  };
  start(document.currentScript.dataset.wasm).catch(fail);
})();
