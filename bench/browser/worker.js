// One worker that does the same frame with this project's engine and with OpenCV's WebAssembly build, turn and turn
// about. The work is that of ../opencv_chain.py, by the same formulas.
importScripts("wasm_exec.js");

const homography = [1.001, 0.002, 3.3, -0.002, 0.999, -2.1, 1e-7, 2e-7, 1];
const m = [0.03, 0.02, 0.005];
const k = [0.01, 0.02, 0.001];

function plates(w, h) {
  const plane = (f) => {
    const p = new Float32Array(w * h);
    for (let y = 0; y < h; y++) for (let x = 0; x < w; x++) p[y * w + x] = f(x, y);
    return p;
  };
  const leak = m.reduce((sum, v, c) => sum + v * k[c], 0);
  return {
    w, h, homography, crosstalk: m,
    color: [0, 1, 2].map((c) => plane((x, y) => 0.25 + 0.15 * Math.sin(0.013 * x + c) * Math.cos(0.017 * y - c))),
    band: plane((x, y) => 0.5 + 0.35 * Math.sin(0.011 * x + 0.007 * y)),
    clean: plane((x, y) => 0.85 + 0.1 * Math.cos(0.003 * x) * Math.cos(0.004 * y) - leak), // less the crosstalk of the screen's color
    background: [0, 1, 2].map((c) => plane((x, y) => 0.4 + 0.3 * Math.cos(0.005 * x + 2 * c) * Math.sin(0.006 * y + c) - k[c])), // B - K
  };
}

// theirs prepares the frame for OpenCV, all memory set aside: {run(by), at}. By is "homography" or "maps".
function theirs(cv, work) {
  const { w, h } = work;
  const gray = (p) => cv.matFromArray(h, w, cv.CV_32FC1, p);
  const rgb = (planes) => {
    const mat = new cv.Mat(h, w, cv.CV_32FC3);
    planes.forEach((p, c) => { for (let i = 0; i < p.length; i++) mat.data32F[3 * i + c] = p[i]; });
    return mat;
  };
  const color = rgb(work.color), lift = rgb(work.background), band = gray(work.band);
  const inverse = gray(work.clean.map((v) => 1 / v));
  const weights = cv.matFromArray(1, 3, cv.CV_32FC1, m);
  const matrix = cv.matFromArray(3, 3, cv.CV_64FC1, homography);
  const map = (i) => {
    const p = new Float32Array(w * h);
    const a = homography;
    for (let y = 0; y < h; y++) for (let x = 0; x < w; x++) p[y * w + x] = (a[3 * i] * x + a[3 * i + 1] * y + a[3 * i + 2]) / (a[6] * x + a[7] * y + a[8]);
    return gray(p);
  };
  const mapX = map(0), mapY = map(1);
  const [b, leak, t] = [1, 2, 3].map(() => new cv.Mat(h, w, cv.CV_32FC1)); // clone would share the pixels
  const [t3, out] = [1, 2].map(() => new cv.Mat(h, w, cv.CV_32FC3));
  const three = new cv.MatVector();
  const size = new cv.Size(w, h), edge = new cv.Scalar();
  return {
    run(by) {
      if (by === "maps") cv.remap(band, b, mapX, mapY, cv.INTER_CUBIC, cv.BORDER_REPLICATE, edge);
      else cv.warpPerspective(band, b, matrix, size, cv.INTER_CUBIC | cv.WARP_INVERSE_MAP, cv.BORDER_REPLICATE, edge);
      cv.transform(color, leak, weights);
      cv.subtract(b, leak, t);
      cv.multiply(t, inverse, t);
      cv.threshold(t, t, 1, 0, cv.THRESH_TRUNC); // at most 1
      cv.threshold(t, t, 0, 0, cv.THRESH_TOZERO); // at least 0
      three.resize(0, t);
      for (let c = 0; c < 3; c++) three.push_back(t);
      cv.merge(three, t3);
      cv.multiply(t3, lift, t3);
      cv.add(color, t3, out);
    },
    at(x, y) {
      const i = y * w + x;
      return [t.data32F[i], ...out.data32F.subarray(3 * i, 3 * i + 3)];
    },
  };
}

const engine = new Promise((ready) => (globalThis.oursReady = ready));

onmessage = async ({ data: { w, h, runs } }) => {
  try {
    const go = new Go();
    go.run((await WebAssembly.instantiateStreaming(fetch("frame.wasm"), go.importObject)).instance);
    await engine;
    importScripts("opencv.js");
    const cv = self.cv instanceof Promise ? await self.cv : self.cv;
    if (!cv.Mat) await new Promise((resolve) => (cv.onRuntimeInitialized = resolve));
    const work = plates(w, h);
    const bytes = (p) => new Uint8Array(p.buffer);
    const ours = globalThis.ours({ ...work, color: work.color.map(bytes), band: bytes(work.band), clean: bytes(work.clean), background: work.background.map(bytes) });
    const other = theirs(cv, work);
    const probes = [[1, 1], [4, 4], [7, 2], [3, 6]].map(([i, j]) => [Math.floor((i * w) / 8), Math.floor((j * h) / 8)]);
    const contestants = { ours: () => ours.run(), homography: () => other.run("homography"), maps: () => other.run("maps") };
    const seen = { ours: () => probes.map(([x, y]) => ours.at(x, y)), homography: () => probes.map(([x, y]) => other.at(x, y)) };
    seen.maps = seen.homography;
    const ms = {}, probe = {};
    for (let run = -2; run < runs; run++) { // two runs warm up
      for (const [name, frame] of Object.entries(contestants)) {
        const start = performance.now();
        frame();
        const took = performance.now() - start;
        probe[name] = seen[name]();
        if (run >= 0) (ms[name] ??= []).push(took);
      }
    }
    postMessage({ ms, probe, version: /OpenCV (\S+)/.exec(cv.getBuildInformation())?.[1] });
  } catch (error) {
    postMessage({ error: String(error?.stack ?? error) });
  }
};
