// Keeps the playground working without a network: everything is stored when it is first opened, and
// served from there; a new version is taken in whole, or not at all.
const version = "twinplate-__VERSION__";
const files = /** @type {string[]} */ (/** @type {unknown} */ ("__FILES__")); // the build puts a list here

const scope = /** @type {ServiceWorkerGlobalScope} */ (/** @type {unknown} */ (self));

scope.addEventListener("install", (event) => {
  event.waitUntil(caches.open(version).then((cache) => cache.addAll(files.map((file) => new Request(file, { cache: "no-cache" })))).then(() => scope.skipWaiting()));
});

scope.addEventListener("activate", (event) => {
  event.waitUntil(
    caches
      .keys()
      .then((names) => Promise.all(names.filter((name) => name.startsWith("twinplate-") && name !== version).map((name) => caches.delete(name))))
      .then(() => scope.clients.claim()),
  );
});

scope.addEventListener("fetch", (event) => {
  if (event.request.method !== "GET") return;
  const url = new URL(event.request.url);
  if (url.origin !== scope.location.origin) return;
  if (url.pathname.endsWith("/")) url.pathname += "index.html";
  event.respondWith(caches.open(version).then((cache) => cache.match(url.href, { ignoreSearch: true })).then((found) => found ?? fetch(event.request)));
});
