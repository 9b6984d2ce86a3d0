// The first screen and what it leads to besides telling: a draft by its code,
// what is on this tablet, the language, and the tablet itself.
import type { App, Screen } from "../app.ts";
import { el, field, row } from "../el.ts";
import { enrol, useToken, type Enrolled } from "../door.ts";
import type { Flow } from "../flow.ts";
import { warnings } from "../health.ts";
import { Pad } from "../pad.ts";
import { hearScreen } from "./hear.ts";
import { shownAgain } from "../again.ts";
import { recall, remember, type Item } from "../store.ts";
import { timings } from "../timing.ts";
import { language, languages, locale, speak, t } from "../words.ts";

// enrolBy gives this tablet its own token for a code, and says how it went.
async function enrolBy(app: App, code: string): Promise<string> {
  const done = await enrol(code);
  if (typeof done !== "object") return done === undefined ? t("hear_away") : t("enrol_wrong");
  await remember(app.db!, "enrolled", done);
  useToken(done.secret);
  app.place = done.home;
  app.sender!.soon();
  return t("enrol_done", { name: done.name });
}

export class Start {
  // tries and until hold back whoever guesses codes.
  private tries = 0;
  private until = 0;

  constructor(
    private flow: Flow,
    private sent: (app: App, item: Item, receipt: string) => Screen,
  ) {}

  start = (app: App): Screen => {
    const warned = el("div", { id: "warnings" });
    const draw = () => {
      const list = warnings({ secure: isSecureContext && !!crypto.subtle, stores: !!app.db, space: app.space, sender: app.sender, tally: app.tally });
      warned.replaceChildren(...(list.length ? [el("div", { class: "warn", role: "note" }, el("h2", {}, t("warn_title")), ...list.map((w) => el("p", {}, w)))] : []));
    };
    draw();
    const back = () => app.show(this.start(app));
    return {
      name: "start",
      title: t("start_title"),
      watch: draw,
      body: [
        el("p", { class: "lead" }, t("start_say")),
        app.cleared ? el("div", { class: "warn", role: "note", id: "cleared" }, el("p", {}, t("cleared"))) : null,
        warned,
        el("div", { class: "rows" },
          app.db
            ? row({
                words: t("start_tell"), more: t("start_tell_more"), id: "tell", kind: "first",
                press: () => {
                  app.use(Pad.fresh(app.db!, language().tag));
                  this.flow.go("kind");
                },
              })
            : null,
          app.db ? row({ words: t("start_draft"), more: t("start_draft_more"), id: "open-draft", press: () => app.show(this.drafts(app, back)) }) : null,
          app.db ? row({ words: t("start_hear"), more: t(app.place ? "own_hear_more" : "start_hear_more"), id: "hear", press: () => app.show(hearScreen(app, back)) }) : null,
          app.db ? row({ words: t("start_mine"), more: t("start_mine_more"), id: "mine", press: () => void this.mine(app, back).then((s) => app.show(s)) }) : null,
          row({ words: `${t("start_language")}: ${language().name}`, more: language().tag === "en" ? languages.filter((l) => l.tag !== "en").map((l) => l.name).join(" · ") : "English", id: "language", press: () => app.show(this.speaks(app, back)) }),
          row({ words: t("start_about"), id: "about", press: () => void this.about(app, back).then((s) => app.show(s)) })),
      ],
    };
  };

  private drafts(app: App, back: () => void): Screen {
    let code = "";
    const wrong = el("p", { class: "wrong", role: "alert", id: "wrong" });
    let trying = false;
    const open = async () => {
      const wait = Math.ceil((this.until - Date.now()) / 1000);
      if (wait > 0) return void (wrong.textContent = t("draft_wait", { s: wait }));
      if (trying || code.trim() === "") return;
      trying = true;
      wrong.textContent = t("draft_working");
      const found = await Pad.find(app.db!, code).catch(() => []);
      const again = found.length === 0 ? await shownAgain(app.db!, code).catch(() => undefined) : undefined;
      trying = false;
      if (again) return app.show(this.sent(app, again.item, again.receipt));
      if (found.length === 0) {
        // Each wrong code after the third waits twice as long.
        if (++this.tries > 3) this.until = Date.now() + 1000 * Math.min(300, 5 * 2 ** (this.tries - 4));
        wrong.textContent = t("draft_wrong");
        return;
      }
      this.tries = 0;
      if (found.length > 1) return app.show(this.versions(app, found, back));
      this.resume(app, found[0]!);
    };
    return {
      name: "draft",
      title: t("draft_title"),
      back,
      next: { words: t("draft_open"), press: () => void open() },
      body: [field({ label: t("draft_label"), value: "", mode: "numeric", max: 24, id: "code", input: (v) => (code = v) }), wrong],
    };
  }

  private versions(app: App, found: Pad[], back: () => void): Screen {
    return {
      name: "versions",
      title: t("draft_two", { n: found.length }),
      back,
      body: [el("div", { class: "rows" }, found.map((p, i) =>
        row({ words: t("draft_version", { n: i + 1, words: p.draft.words.slice(0, 60) }), id: "version-" + (i + 1), press: () => this.resume(app, p) })))],
    };
  }

  private resume(app: App, pad: Pad): void {
    app.use(pad);
    this.flow.go(pad.draft.step);
  }

  private async mine(app: App, back: () => void): Promise<Screen> {
    const list = el("ul", { class: "mine", id: "list" });
    const draw = async () => {
      const items = (await app.db!.getAll("queue")).filter((i) => i.number > 0);
      items.sort((a, b) => a.number - b.number); // by number, which tells no order of coming
      list.replaceChildren(...items.map((i) =>
        el("li", { class: "item-" + i.state }, el("strong", {}, t("mine_number", { n: i.number })), " ",
          i.state === "received" ? t("mine_received", { code: i.code ?? "" }) : t(("mine_" + i.state) as "mine_saved"))),
        ...(items.length === 0 ? [el("li", {}, t("mine_none"))] : []));
    };
    await draw();
    const say = el("p", { role: "status" });
    return {
      name: "mine",
      watch: () => void draw(),
      title: t("mine_title"),
      back,
      body: [
        el("p", {}, t("mine_say")),
        list,
        el("div", { class: "rows" }, row({
          words: t("mine_try"), id: "try",
          press: () => {
            say.textContent = t("mine_trying");
            void app.sender!.again().then(() => (say.textContent = ""));
          },
        })),
        say,
      ],
    };
  }

  private speaks(app: App, back: () => void): Screen {
    return {
      name: "language",
      title: t("start_language"),
      back,
      body: [el("div", { class: "rows" }, languages.map((l) => {
        const r = row({
          words: l.name, id: "speak-" + l.tag, chosen: l === language(), chosenWords: t("chosen"),
          press: () => void speak(l.tag).then(async (ok) => {
            if (ok && app.db) await remember(app.db, "language", l.tag);
            back();
          }),
        });
        r.lang = l.tag;
        r.dir = l.dir;
        return r;
      }))],
    };
  }

  // about shows the tablet itself; given is an enrolment code that came along.
  async about(app: App, back: () => void, given = ""): Promise<Screen> {
    const mb = (n: number) => Math.round(n / (1 << 20));
    const drafts = app.db ? await app.db.count("drafts") : 0;
    const met = app.sender?.service?.time;
    const times = app.db ? await timings(app.db) : [];
    const enrolled = app.db ? await recall<Enrolled>(app.db, "enrolled") : undefined;
    let code = given;
    const said = el("p", { role: "status", id: "said" }, enrolled ? t("enrol_done", { name: enrolled.name }) : "");
    const join = async () => (said.textContent = await enrolBy(app, code));
    if (given) void join();
    return {
      name: "about",
      title: t("start_about"),
      back,
      body: [
        el("ul", { class: "facts" },
          el("li", {}, t("about_space", { used: mb(app.space.used), all: mb(app.space.all) })),
          el("li", {}, t("about_drafts", { n: drafts })),
          el("li", {}, t("about_waiting", { n: app.tally.waiting })),
          el("li", {}, t("about_met", { when: met ? new Date(met).toLocaleString(locale(), { dateStyle: "long", timeStyle: "short" }) : t("about_never") })),
          el("li", {}, t("about_version", { v: __VERSION__ }))),
        app.db ? el("h2", {}, t("enrol_title")) : null,
        app.db ? field({ label: t("enrol_label"), more: t("enrol_more"), value: "", mode: "text", max: 20, id: "enrol", input: (v) => (code = v) }) : null,
        app.db ? el("div", { class: "rows" }, row({ words: t("enrol_title"), id: "join", press: () => void join() })) : null,
        said,
        times.length ? el("p", {}, t("about_seconds")) : null,
        el("ul", { class: "facts" }, times.map((s) => el("li", {}, t("about_skipped", { name: s.name, s: s.median, n: s.times, k: s.skipped })))),
      ],
    };
  }
}
