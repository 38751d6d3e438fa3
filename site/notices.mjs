// The notices that go with what is shipped: the licenses of twinplate, of Go, of the modules in the
// programs and of the npm packages in the pages' code. Go and esbuild say what these are, not a
// list; one without a license is an error. By itself it prints the notices of a program:
// node site/notices.mjs PACKAGE SYSTEM/ARCHITECTURE...
import { execFileSync } from "node:child_process";
import { readFileSync, readdirSync } from "node:fs";
import { basename, dirname, join, relative } from "node:path";
import { fileURLToPath } from "node:url";

const license = /^(licen[cs]e|copying)/i;
const notice = /^(licen[cs]e|copying|notice|patents|third.party)/i;
const code = /\.(go|[cm]?[jt]s|json)$/;

// Reads the notices in a folder, and those in a folder of notices.
function read(folder) {
  const found = readdirSync(folder, { withFileTypes: true }).filter((entry) => notice.test(entry.name) && !code.test(entry.name));
  return found.flatMap((entry) => {
    const path = join(folder, entry.name);
    return (entry.isDirectory() ? readdirSync(path).map((name) => join(path, name)) : [path]).map((file) => ({ path: file, text: readFileSync(file, "utf8") }));
  });
}

// A part is { name, source, notices: [{ file, text }] }; source is the address of its source code.
function part(name, source, root, folders = [root]) {
  const notices = folders.flatMap(read).map(({ path, text }) => ({ file: relative(root, path), text }));
  if (!notices.some(({ file }) => license.test(file))) throw new Error(`${name} is built in and has no license in ${root}`);
  return { name, source, notices };
}

// Returns the parts of programs: the main module, Go, and the modules whose packages are in them.
// A build is the arguments and the environment of go list, which go(args, env) runs. A module's
// notices lie beside a package that is built in, beside what it embeds, or above.
export function goParts(go, builds) {
  const modules = new Map(); // by their folders
  const format = '{{if not .Standard}}{{.Module.Path}}\t{{.Module.Version}}\t{{.Module.Dir}}\t{{.Dir}}\t{{join .EmbedFiles "\t"}}{{end}}';
  for (const { args, env } of builds) {
    for (const line of go(["list", "-deps", "-f", format, ...args], env).split("\n").filter(Boolean)) {
      const [path, version, root, dir, ...embedded] = line.split("\t");
      if (!modules.has(root)) modules.set(root, { path, version, folders: new Set([root]) });
      for (let at of [dir, ...embedded.filter(Boolean).map((file) => dirname(join(dir, file)))]) {
        for (; at !== root; at = dirname(at)) modules.get(root).folders.add(at);
      }
    }
  }
  const others = [];
  let main;
  for (const [root, { path, version, folders }] of modules) {
    if (version) others.push(part(`${path} ${version}`, `https://${path.replace(/^(github\.com\/[^/]+\/[^/]+).*/, "$1")}`, root, [...folders].sort()));
    else main = part(basename(path), "", root, [...folders].sort());
  }
  const [version, root] = go(["env", "GOVERSION", "GOROOT"], builds[0].env).trim().split("\n");
  return [main, part(version.replace("go", "Go "), "https://go.dev", root), ...others.sort((a, b) => (a.name < b.name ? -1 : 1))];
}

// Returns the parts of what esbuild has bundled: the npm packages of which, by its metafiles,
// something is in the output.
export function npmParts(metafiles) {
  const folders = new Set();
  for (const output of metafiles.flatMap((metafile) => Object.values(metafile.outputs))) {
    for (const [input, { bytesInOutput }] of Object.entries(output.inputs)) {
      const [, folder] = input.match(/^(.*node_modules\/(?:@[^/]+\/)?[^/]+)\//) ?? [];
      if (folder && bytesInOutput > 0) folders.add(folder);
    }
  }
  return [...folders].sort().map((folder) => {
    const { name, version, repository } = JSON.parse(readFileSync(join(folder, "package.json"), "utf8"));
    return part(`${name} ${version}`, (repository?.url ?? "").replace(/^git\+/, "").replace(/\.git$/, ""), folder);
  });
}

// Parts that have a text in common share it: returns [{ title, sources, text }].
function grouped(parts) {
  const groups = new Map();
  for (const { name, source, notices } of parts) {
    for (const { file, text } of notices) {
      const group = groups.get(text) ?? { titles: [], sources: [], text };
      group.titles.push(`${name}: ${file}`);
      if (source && !group.sources.includes(source)) group.sources.push(source);
      groups.set(text, group);
    }
  }
  return [...groups.values()];
}

export function asText(parts) {
  const head = "twinplate, what it is built with, and under which licenses. Source code is at the addresses that are given.\n";
  return head + grouped(parts).map(({ titles, sources, text }) => `\n---- ${titles.join("\n---- ")}\n${sources.map((source) => `     ${source}\n`).join("")}\n${text.trimEnd()}\n`).join("");
}

export function asHTML(parts) {
  const safe = (text) => text.replaceAll("&", "&amp;").replaceAll("<", "&lt;").replaceAll('"', "&quot;");
  const link = (source) => `<a href="${safe(source)}">${safe(source)}</a>`;
  return grouped(parts)
    .map(({ titles, sources, text }) => `<details><summary>${titles.map(safe).join("<br>")}</summary>${sources.length ? `<p>Source code: ${sources.map(link).join(", ")}</p>` : ""}<pre>${safe(text.trimEnd())}</pre></details>`)
    .join("\n");
}

if (process.argv[1] === fileURLToPath(import.meta.url)) {
  const [name, ...systems] = process.argv.slice(2);
  const go = (args, env) => execFileSync(process.env.GO ?? "go", args, { env: { ...process.env, ...env }, encoding: "utf8", stdio: ["ignore", "pipe", "inherit"] });
  const builds = systems.map((system) => ({ args: [name], env: { GOOS: system.split("/")[0], GOARCH: system.split("/")[1] } }));
  process.stdout.write(asText(goParts(go, builds)));
}
