// The emergency card: one tap from every screen, there without a network. It
// lies over the screen, so that nothing that was being written is touched.
import type { App } from "../app.ts";
import { el, row } from "../el.ts";
import { whereNow } from "../position.ts";
import { apart, t } from "../words.ts";

// The number that rings ambulance, fire and police all over Australia.
const triple = "000";

export function card(app: App): void {
  document.querySelector("dialog")?.close();
  const c = app.sender?.service?.card ?? {};
  const here = el("p", { role: "status", id: "at" });
  const at = (lat: number | string, lon: number | string, m: number | string) => t("card_at", { lat, lon, m });
  const numbers = [{ who: t("card_triple"), number: triple }, ...(c.numbers ?? [])];
  const dialog = el("dialog", { class: "card", "aria-labelledby": "card-title", id: "card", close: () => dialog.remove() },
    el("h1", { id: "card-title", tabindex: -1 }, t("card_title")),
    el("p", { class: "not" }, t("card_not")),
    el("ul", { class: "numbers" }, numbers.map((n) =>
      el("li", {}, el("a", { class: "row ring", href: "tel:" + n.number.replace(/[^\d+]/g, "") }, el("span", { class: "row-words" }, n.who), el("span", { class: "digits" }, n.number))))),
    c.numbers?.length ? null : el("p", {}, t("card_none")),
    el("p", { class: "scene" }, t("card_scene")),
    c.radio ? el("p", { id: "radio" }, el("strong", {}, t("card_radio") + ": "), apart(c.radio)) : null,
    c.place ? el("p", { id: "card-place" }, el("strong", {}, t("card_place") + ": "), el("span", { class: "line", dir: "auto" }, c.place),
      c.latitude !== undefined && c.longitude !== undefined ? el("span", { class: "line", dir: "ltr" }, `${c.latitude}, ${c.longitude}`) : null) : null,
    row({
      words: t("card_here"), id: "card-here",
      press: () => {
        here.textContent = t("spot_looking");
        void whereNow().then((p) => (here.textContent = p ? at(p.lat, p.lon, p.m) : t("spot_none")));
      },
    }),
    here,
    // The rules of the service on who has to be told come to stand here; until
    // then a plain hint that never says that anything need not be told.
    el("p", { class: "note", id: "hint" }, t("kind_badly")),
    el("button", { type: "button", class: "way on strong", id: "card-close", click: () => dialog.close() }, t("close")));
  document.body.append(dialog);
  dialog.showModal();
  dialog.querySelector("h1")!.focus();
}
