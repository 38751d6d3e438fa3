// Builds the playground: node site/build.mjs [OUT]; or one more program as the engine is built, with Go's wasm_exec.js
// beside it: node site/build.mjs --program PACKAGE FILE. Go compiles the engine and the viewer, esbuild bundles the
// modules, the demo take is drawn, and what compresses is laid beside itself as .br and .gz. OUT is ready for any static
// host. Drawn and compressed is only what is not there yet: a second build of the same sources takes seconds.
import { execFileSync } from "node:child_process";
import { createHash } from "node:crypto";
import { cpSync, existsSync, mkdirSync, readFileSync, readdirSync, renameSync, rmSync, statSync, writeFileSync } from "node:fs";
import { dirname, join, relative, resolve } from "node:path";
import { fileURLToPath } from "node:url";
import { brotliCompressSync, constants, gzipSync } from "node:zlib";
import * as esbuild from "esbuild";
import { asHTML, goParts, npmParts } from "./notices.mjs";
import { slim } from "./slim.mjs";

const site = dirname(fileURLToPath(import.meta.url));
const root = dirname(site);
const out = resolve(process.argv[2] ?? join(root, "dist"));

// The portable vector package needs this toolchain. Its newer JSON package is as right here and half a megabyte larger.
const env = { ...process.env, GOTOOLCHAIN: "go1.27.3", GOEXPERIMENT: "simd,nojsonv2" };
const go = (args, more = {}) => execFileSync("go", args, { cwd: root, env: { ...env, ...more }, encoding: "utf8", stdio: ["ignore", "pipe", "inherit"] });
const wasm = { GOOS: "js", GOARCH: "wasm" };

function step(text, work) {
  const start = performance.now();
  work();
  console.log(`${text}: ${((performance.now() - start) / 1000).toFixed(1)} s`);
}

// Inlining makes a program larger, and what travels counts more than speed outside the loops over pixels. Vectors are
// nothing but inlining.
const small = (...packages) => packages.map((p) => `-gcflags=${p}=-l`);
const whole = (...packages) => packages.map((p) => `-gcflags=${p}=`);
const engine = [...small("std", "gonum.org/...", "golang.org/...", "example.com/twinplate/take", "example.com/twinplate/wasm/engine", "example.com/twinplate/plate/exr"), ...whole("simd/...", "math/...", "encoding/binary", "image/...", "compress/...", "golang.org/x/image/...", "gonum.org/v1/gonum/dsp/...")];
function program(name, flags, to) {
  go(["build", "-trimpath", "-ldflags=-w", ...flags, "-o", to, name], wasm);
  writeFileSync(to, slim(readFileSync(to)));
}
const exec = (folder) => cpSync(join(go(["env", "GOROOT"]).trim(), "lib", "wasm", "wasm_exec.js"), join(folder, "wasm_exec.js"));

if (process.argv[2] === "--program") {
  const [name, to] = process.argv.slice(3);
  program(name, engine, resolve(to));
  exec(dirname(resolve(to)));
  process.exit();
}

mkdirSync(out, { recursive: true });
for (const name of readdirSync(out)) if (name !== "demo") rmSync(join(out, name), { recursive: true });
mkdirSync(join(out, "js"));

step("engine", () => program("./wasm/engine", engine, join(out, "engine.wasm")));
step("viewer", () => program("./wasm/viewer", small("all"), join(out, "viewer.wasm")));
step("planner", () => program("./wasm/planner", small("all"), join(out, "planner.wasm")));
exec(join(out, "js"));

// The demo take is drawn anew where the sources of the program that draws it have changed.
const drawn = join(out, "demo", "drawn-by.sha256");
const sources = go(["list", "-deps", "-f", '{{if not .Standard}}{{$dir := .Dir}}{{range .GoFiles}}{{$dir}}/{{.}}\n{{end}}{{range .EmbedFiles}}{{$dir}}/{{.}}\n{{end}}{{end}}', "./site/demo"], { GOEXPERIMENT: "" });
const source256 = sources.trim().split("\n").reduce((hash, file) => hash.update(readFileSync(file)), createHash("sha256")).digest("hex");
if (!existsSync(drawn) || readFileSync(drawn, "utf8") !== source256) {
  rmSync(join(out, "demo"), { recursive: true, force: true });
  step("demo take", () => go(["run", "./site/demo", "--out", join(out, "demo")], { GOEXPERIMENT: "" }));
  writeFileSync(drawn, source256);
}
const demo = Object.fromEntries(["color", "band", "background", "green"].map((folder) => [folder, readdirSync(join(out, "demo", folder)).sort()]));
writeFileSync(join(out, "demo", "take.json"), JSON.stringify({ ...demo, recipe: JSON.parse(readFileSync(join(out, "demo", "recipe.json"), "utf8")) }));

const options = { outdir: join(out, "js"), target: "es2022", minify: true, metafile: true, legalComments: "none", logLevel: "warning" };
const source = (name) => join(site, "js", name + ".js");
// All lie in one folder, so that a module finds the workers beside itself.
const entryPoints = { app: source("app"), plan: source("plan"), live: source("live"), worker: source("worker/worker"), inflate: source("worker/inflate"), decode: source("worker/decode") };
const pages = await esbuild.build({ ...options, entryPoints, bundle: true, splitting: true, format: "esm", chunkNames: "part-[hash]" });
const frame = await esbuild.build({ ...options, entryPoints: [source("viewer-frame")] });

const poster = readFileSync(join(out, "demo", "poster.jpg")).toString("base64");
writeFileSync(join(out, "index.html"), readFileSync(join(site, "index.html"), "utf8").replace("__POSTER__", `data:image/jpeg;base64,${poster}`));
for (const name of ["plan.html", "live.html", "viewer.html", "icon.svg", "manifest.webmanifest"]) cpSync(join(site, name), join(out, name));
for (const name of ["site.css", "live.css"]) cpSync(join(site, "css", name), join(out, name));

const parts = [...goParts(go, [{ args: ["./wasm/..."], env: wasm }]), ...npmParts([pages.metafile, frame.metafile])];
writeFileSync(join(out, "licenses.html"), readFileSync(join(site, "licenses.html"), "utf8").replace("__NOTICES__", () => asHTML(parts)));

// The service worker keeps everything that is here now, under a name that changes with it.
const list = (folder) => readdirSync(folder).flatMap((name) => (statSync(join(folder, name)).isDirectory() ? list(join(folder, name)) : [join(folder, name)]));
const files = list(out).filter((file) => !/\.(br|gz|sha256)$/.test(file)).map((file) => relative(out, file)).sort();
const hash = createHash("sha256");
for (const file of files) hash.update(file).update(readFileSync(join(out, file)));
const version = hash.digest("hex").slice(0, 16);
writeFileSync(join(out, "sw.js"), readFileSync(join(site, "js", "sw.js"), "utf8").replace("__VERSION__", version).replace('"__FILES__"', JSON.stringify(files)));

// What has been compressed once is kept by what it is: the best compression of the programs takes longer than all else.
const quality = Number(process.env.BROTLI ?? 11);
const kept = join(site, "node_modules", ".cache", "compressed");
mkdirSync(kept, { recursive: true });

function compress(data, extension, how) {
  const file = join(kept, `${createHash("sha256").update(data).digest("hex")}-${quality}${extension}`);
  if (!existsSync(file)) {
    writeFileSync(file + ".part", how(data));
    renameSync(file + ".part", file);
  }
  return readFileSync(file);
}

const brotli = (data) => brotliCompressSync(data, { params: { [constants.BROTLI_PARAM_QUALITY]: quality, [constants.BROTLI_PARAM_LGWIN]: 24, [constants.BROTLI_PARAM_SIZE_HINT]: data.length } });
const gzip = (data) => gzipSync(data, { level: 9 });

step("compress", () => {
  for (const file of list(out)) {
    if (!/\.(wasm|js|css|html|json|svg|webmanifest)$/.test(file)) continue;
    const data = readFileSync(file);
    writeFileSync(file + ".br", compress(data, ".br", brotli));
    writeFileSync(file + ".gz", compress(data, ".gz", gzip));
  }
});
const sum = (names) => names.reduce((n, name) => n + statSync(join(out, name + ".br")).size, 0);
console.log(`over the wire, compressed: engine ${sum(["engine.wasm"])}, viewer ${sum(["viewer.wasm"])}, page ${sum(["index.html", "viewer.html", "site.css", "js/app.js", "js/worker.js", "js/inflate.js", "js/viewer-frame.js", "js/wasm_exec.js"])} bytes; in ${out}`);
