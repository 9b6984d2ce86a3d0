// The service worker: the whole app lies in one cache per version, and nothing
// else does. It never keeps an answer of the service, and never a report. Woken
// when there is a network again, it sends what lies sealed in the queue, by the
// same loop and under the same lock as the page, so that nothing goes twice.
import { useToken, type Enrolled } from "./door.ts";
import { Sender } from "./sender.ts";
import { openStore, recall } from "./store.ts";
import { wakeTag } from "./worker.ts";

declare const __FILES__: string[];

interface Worker {
  addEventListener(type: "install" | "activate", f: (e: { waitUntil(p: Promise<unknown>): void }) => void): void;
  addEventListener(type: "sync", f: (e: { tag: string; waitUntil(p: Promise<unknown>): void }) => void): void;
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

self_.addEventListener("sync", (e) => {
  if (e.tag === wakeTag) e.waitUntil(sendAll());
});

// sendAll sends what can go; it fails while something is left, and the browser
// tries again later.
async function sendAll(): Promise<void> {
  const db = await openStore();
  try {
    if (!(await db.getAll("queue")).some((i) => i.ciphertext)) return;
    useToken((await recall<Enrolled>(db, "enrolled"))?.secret ?? "");
    if (!(await new Sender(db).once())) throw new Error("something is left to send");
  } finally {
    db.close();
  }
}

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
