// The service worker: the whole app lies in one cache per version, and nothing
// else does. It never keeps an answer of the service, and never a report.
declare const __FILES__: string[];

interface Worker {
  addEventListener(type: "install" | "activate", f: (e: { waitUntil(p: Promise<unknown>): void }) => void): void;
  addEventListener(type: "message", f: (e: { data: unknown }) => void): void;
  addEventListener(type: "fetch", f: (e: { request: Request; respondWith(r: Promise<Response>): void }) => void): void;
  skipWaiting(): Promise<void>;
  clients: { claim(): Promise<void> };
}

const self_ = globalThis as unknown as Worker;
const cacheName = "fairlead-tablet-" + __VERSION__;
const root = "/tablet/";

self_.addEventListener("install", (e) => {
  e.waitUntil(
    (async () => {
      const cache = await caches.open(cacheName);
      await cache.addAll(__FILES__.map((f) => new Request(root + f, { cache: "reload" })));
    })(),
  );
});

self_.addEventListener("activate", (e) => {
  e.waitUntil(
    (async () => {
      for (const name of await caches.keys()) if (name.startsWith("fairlead-tablet-") && name !== cacheName) await caches.delete(name);
      await self_.clients.claim();
    })(),
  );
});

self_.addEventListener("message", (e) => {
  if (e.data === "take over") void self_.skipWaiting();
});

self_.addEventListener("fetch", (e) => {
  const url = new URL(e.request.url);
  if (e.request.method !== "GET" || url.origin !== location.origin || !url.pathname.startsWith(root) || url.pathname.startsWith(root + "api/")) return;
  e.respondWith(
    (async () => {
      const cache = await caches.open(cacheName);
      // Every address in the app is the app.
      const kept = await cache.match(e.request.mode === "navigate" ? root : root + url.pathname.slice(root.length), { ignoreSearch: true });
      return kept ?? fetch(e.request);
    })(),
  );
});
