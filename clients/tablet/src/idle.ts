// When nobody touches the tablet for a while, whatever is on it is put away.
import type { App } from "./app.ts";
import { el } from "./el.ts";
import { shown } from "./lock.ts";
import { t } from "./words.ts";

// watchIdle asks after three quarters of the time, and puts away at its end.
export function watchIdle(app: App, seconds: () => number): void {
  let touched = performance.now();
  let asking: HTMLDialogElement | undefined;
  let putting = false;
  const touch = () => {
    touched = performance.now();
    asking?.close();
  };
  for (const e of ["pointerdown", "keydown", "input"] as const) addEventListener(e, touch, { capture: true, passive: true });

  setInterval(() => {
    const there = document.body.dataset["screen"];
    if (app.busy) touched = performance.now();
    const open = app.pad !== undefined || (there !== "start" && there !== undefined);
    const idle = (performance.now() - touched) / 1000;
    const left = Math.ceil(seconds() - idle);
    if (!open || putting) return;
    if (left <= 0) {
      putting = true;
      void app.putAway(true).finally(() => {
        putting = false;
        touched = performance.now(); // it could not be kept: it stays, and is tried again
      });
      return;
    }
    if (idle < seconds() * 0.75 || app.pad === undefined) return;
    if (!asking) {
      const d = el("dialog", { class: "card", id: "idle", "aria-labelledby": "idle-title", close: () => {
        d.remove();
        asking = undefined;
      } },
        el("h1", { id: "idle-title" }, t("idle_title")),
        el("p", { id: "idle-say" }),
        el("button", { type: "button", class: "way on strong", id: "go-on", click: () => touch() }, t("idle_go_on")));
      asking = d;
      document.body.append(d);
      d.showModal();
    }
    asking.querySelector("#idle-say")!.textContent = t("idle_say", { s: left, code: shown(app.pad.code) });
  }, 500);
}
