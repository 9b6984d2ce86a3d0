// The last screens: look it over, send, see where it is, or put it away.
import type { App, Screen } from "../app.ts";
import { bodyWords, enough, midnight, type Draft } from "../draft.ts";
import { el, field, row } from "../el.ts";
import { path, type Flow } from "../flow.ts";
import { plainCode, shown } from "../lock.ts";
import { spoken } from "../receipt.ts";
import { receiptSeen } from "../again.ts";
import { enqueue, filesLeft } from "../queue.ts";
import type { Item } from "../store.ts";
import { note } from "../timing.ts";
import { wakeWhenBack } from "../worker.ts";
import { apart, locale, t, type Key } from "../words.ts";
import { why } from "../why.ts";

export class Ending {
  constructor(private flow: Flow) {}

  look = (app: App): Screen => {
    const d = app.draft;
    const asked = new Set(path(d));
    const line = ([step, title, said]: [string, string, string]) =>
      row({ words: title, more: said || t("look_empty"), id: "look-" + step, kind: said ? "" : "empty", press: () => this.flow.change(step) });
    const all = this.lines(app, d);
    const ready = enough(d);
    const wrong = el("p", { class: "wrong", role: "alert", id: "wrong" });
    const missing = () => {
      const step = !d.kind ? "kind" : !d.workplace ? "place" : !d.mode ? "who" : "words";
      if (step === "place" && !app.sender?.service) wrong.textContent = t("warn_no_key");
      else this.flow.change(step);
    };
    return {
      name: "look",
      title: t("look_title"),
      at: this.flow.at("look"),
      back: () => this.flow.back(),
      strong: true,
      next: { words: t("send"), press: () => (ready ? void this.send(app, wrong) : missing()) },
      body: [
        el("p", {}, t("look_say")),
        this.pinNote(app),
        wrong,
        el("div", { class: "rows lines" }, all.filter(([s]) => asked.has(s)).map(line)),
        el("h2", {}, t("look_more")),
        el("div", { class: "rows lines" }, all.filter(([s]) => !asked.has(s)).map(line)),
        el("div", { class: "rows" }, row({ words: t("look_later"), id: "later", press: () => app.show(this.later(app)) })),
      ],
    };
  };

  // pinNote says that the PIN no longer counts, also when its time ends while one
  // looks at this screen, and leads to giving it again.
  private pinNote(app: App): HTMLElement {
    const note = el("div", { role: "status", id: "pin-over" });
    const draw = () => {
      note.replaceChildren(...(app.pad && app.pinOver()
        ? [el("p", { class: "note" }, t("pin_over")), el("div", { class: "rows" }, row({ words: t("pin_offer"), id: "pin-again", press: () => this.flow.change("name") }))]
        : []));
      const on = app.pad && app.turnNow();
      if (on) setTimeout(() => note.isConnected && draw(), Math.max(1000, on.until - Date.now()));
    };
    draw();
    return note;
  }

  // lines say each answer in the words it was given in.
  private lines(app: App, d: Draft): [string, string, string][] {
    const place = app.sender?.service?.places.find((p) => p.name === d.workplace)?.title ?? "";
    const say = (k: string | undefined, prefix: string) => (k === "not_sure" ? t("not_sure") : k ? t((prefix + k) as Key) : "");
    const files = d.files.length ? `${t("look_files")}: ${d.files.length}` : "";
    const joined = (...parts: string[]) => parts.map((p) => p.trim()).filter(Boolean).map(apart).join(" · ");
    return [
      ["kind", t("kind_title"), say(d.kind, "kind_")],
      ["place", t("place_title"), place],
      ["when", t("when_title"), d.when?.how === "day" ? midnight(d.when.day).toLocaleDateString(locale(), { day: "numeric", month: "long", year: "numeric" }) : say(d.when?.how, "when_")],
      ["who", t("who_title"), say(d.mode, "who_")],
      ["name", t("name_title"), joined(d.name, d.contact)],
      ["words", t(d.kind === "hazard" ? "words_hazard_title" : "words_title"), joined(d.words, files)],
      ["hurt", t("hurt_title"), joined(d.body.map((b) => bodyWords(b, (k) => t(k))).join(", "), d.hurt, say(d.help, "hurt_help_"))],
      ["spill", t("spill_title"), joined(d.substance, d.litres && d.litres + " L", d.area && d.area + " m²", say(d.water, "spill_water_"), d.steps)],
      ["damage", t("damage_title"), d.damage],
      ["worst", t("worst_title"), say(d.worst, "worst_")],
      ["safe", t("safe_title"), say(d.safe, "safe_")],
      ["spot", t("spot_title"), d.spot],
      ["done", t("safe_label"), d.done],
    ].filter(([s]) => s !== "name" || d.mode !== "nobody") as [string, string, string][];
  }

  private sending = false;

  private async send(app: App, wrong: HTMLElement): Promise<void> {
    if (this.sending) return; // pressed twice
    const service = app.sender?.service;
    if (!service || !app.db) return void (wrong.textContent = t("warn_no_key"));
    this.sending = true;
    try {
      if (!(await app.pad!.keep())) return app.tell();
      app.leave();
      const { seconds, skipped } = app.draft;
      const { item, receipt } = await enqueue(app.db, app.pad!, service, Date.now(), app.turnNow()?.secret);
      app.pad = app.turn = undefined;
      await note(app.db, seconds, skipped).catch(() => {});
      await app.count();
      app.show(this.sent(app, item, receipt));
      app.sender!.soon();
      void wakeWhenBack();
    } catch (e) {
      wrong.textContent = t("warn_failed", { why: why(e) });
    } finally {
      this.sending = false;
    }
  }

  // sent says where the report is, and keeps saying it. The receipt code is on
  // this screen only, and under the draft's code until Done is pressed.
  sent = (app: App, item: Item, receipt: string): Screen => {
    const title = () => document.querySelector("h1");
    const state = el("p", { class: "where", id: "where" });
    const stages = el("ol", { class: "stages" });
    const voice = el("p", { id: "voice" });
    const files = el("p", { id: "files-left" });
    const mended = el("div", { role: "status", id: "mended" });
    const draw = async () => {
      const now = (await app.db!.get("queue", item.id)) ?? item;
      const at = now.state === "received" ? 3 : now.state === "sent" ? 2 : 1;
      stages.replaceChildren(
        ...(["sent_title_saved", "sent_title_sent", "sent_title_received"] as const).map((k, i) =>
          el("li", { class: i < at ? "past" : "", ...(i === at - 1 ? { "aria-current": "step" } : {}) }, t(k))));
      const h = title();
      const words = t(at === 3 ? "sent_title_received" : at === 2 ? "sent_title_sent" : "sent_title_saved");
      if (h && h.textContent !== words) h.textContent = words;
      state.textContent = now.state === "kept" ? t("mine_kept") : t(at === 3 ? "sent_received" : at === 2 ? "sent_sent" : "sent_saved");
      voice.textContent = now.code ? t("sent_voice", { code: now.code }) : t("sent_row", { n: now.number });
      mended.replaceChildren(...(app.sender?.said.get(item.id) ?? []).map((m) => el("p", { class: "note" }, t(("mended_" + m) as Key))));
      const left = await filesLeft(app.db!, item.id);
      files.textContent = left ? t("sent_files", { n: left }) : "";
    };
    return {
      name: "sent",
      watch: () => void draw(),
      title: t("sent_title_saved"),
      next: { words: t("done"), press: () => void receiptSeen(app.db!, item.id).catch(() => {}).then(() => app.putAway()) },
      strong: true,
      body: [
        stages,
        el("div", { role: "status" }, state),
        mended,
        el("p", {}, t("sent_code")),
        el("p", { class: "code long", id: "code" }, spoken(receipt)),
        el("p", {}, t("sent_keep")),
        el("p", { class: "more" }, t("sent_again")),
        voice,
        files,
      ],
    };
  };

  // later puts the draft away under its code, or one that the writer chooses.
  later = (app: App): Screen => {
    const pad = app.pad!;
    let own = "";
    const wrong = el("p", { class: "wrong", role: "alert", id: "wrong" });
    const code = el("p", { class: "code", id: "code" }, shown(pad.code));
    return {
      name: "later",
      title: t("later_title"),
      back: () => this.flow.go("look"),
      next: { words: t("done"), press: () => void app.putAway() },
      strong: true,
      body: [
        el("p", {}, t("later_say")),
        code,
        field({ label: t("later_own_label"), value: "", mode: "numeric", max: 24, id: "own", input: (v) => (own = v) }),
        wrong,
        el("div", { class: "rows" }, row({
          words: t("later_own"), id: "use-own",
          press: () => {
            if (!/^\d{6,}$/.test(plainCode(own))) return void (wrong.textContent = t("later_own_short"));
            wrong.textContent = "";
            void pad.recode(own).then((ok) => {
              code.textContent = shown(pad.code);
              if (!ok) app.tell();
            });
          },
        })),
      ],
    };
  };
}
