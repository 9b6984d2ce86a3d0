// The service worker keeps the app on the tablet. A new version takes over at
// the start screen only, with nothing being written; what is queued stays as it
// is, sealed, and the service accepts it whatever version made it.
declare const __WORKER__: string;

interface Policies {
  createPolicy(name: string, rules: { createScriptURL(s: string): string }): { createScriptURL(s: string): string };
}

// wakeTag names the wish to be woken when there is a network again.
export const wakeTag = "fairlead-send";

interface Syncing {
  sync?: { register(tag: string): Promise<void> };
}

// wakeWhenBack asks the browser to wake the worker when there is a network, also
// with this page closed. Where no browser does that, the page sends when it is
// open, as it does anyway.
export async function wakeWhenBack(): Promise<void> {
  try {
    await ((await navigator.serviceWorker.ready) as Syncing).sync?.register(wakeTag);
  } catch {
    // Not allowed here: the page sends.
  }
}

export async function keepApp(mayChange: () => boolean, reload: () => void): Promise<void> {
  if (!("serviceWorker" in navigator)) return;
  try {
    // The one script address that the page makes, allowed by name.
    const types = (globalThis as { trustedTypes?: Policies }).trustedTypes;
    const policy = types?.createPolicy("fairlead", { createScriptURL: (s) => (s === __WORKER__ ? s : "") });
    const was = navigator.serviceWorker.controller;
    const r = await navigator.serviceWorker.register(policy ? policy.createScriptURL(__WORKER__) : __WORKER__, { scope: "/tablet/", updateViaCache: "none" });
    navigator.serviceWorker.addEventListener("controllerchange", () => was && mayChange() && reload());
    setInterval(() => {
      if (mayChange()) r.waiting?.postMessage("take over");
    }, 2000);
    setInterval(() => void r.update().catch(() => {}), 3_600_000);
  } catch {
    // Without a worker the app still works while there is a network.
  }
}
