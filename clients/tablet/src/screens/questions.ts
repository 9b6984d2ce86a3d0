// The questions with one answer each: what kind, where, when, who may know, how
// bad it could have been. A tap answers and goes on.
import type { App, Screen } from "../app.ts";
import type { Place } from "../door.ts";
import type { Kind, Mode, When, Worst } from "../draft.ts";
import { el, field, row, type Kid } from "../el.ts";
import type { Flow } from "../flow.ts";
import { midnight } from "../draft.ts";
import { dayOf } from "../store.ts";
import { t, type Key } from "../words.ts";

export class Questions {
  constructor(private flow: Flow) {}

  // choice makes the screen of a question. An answer is marked when one comes
  // back to it, and can then be left as it is.
  private choice<T extends string>(app: App, o: { name: string; title: string; chosen: T | undefined; of: [T, string, string?][]; pick: (v: T) => Screen | void; above?: Kid[]; must?: boolean }): Screen {
    const on = () => this.flow.on();
    return {
      name: o.name,
      title: o.title,
      at: this.flow.at(o.name),
      back: () => this.flow.back(),
      ...(o.chosen ? { next: { words: t("next"), press: on } } : o.must ? {} : { skip: on }),
      body: [
        ...(o.above ?? []),
        el("div", { class: "rows" },
          o.of.map(([value, words, more]) => row({
            words, more, id: `${o.name}-${value}`, chosen: value === o.chosen, chosenWords: t("chosen"),
            press: () => {
              const then = o.pick(value);
              app.pad!.soon();
              if (then) app.show(then);
              else on();
            },
          }))),
      ],
    };
  }

  kind = (app: App): Screen =>
    this.choice<Kind>(app, {
      name: "kind", title: t("kind_title"), chosen: app.draft.kind, must: true,
      of: [
        ["near_miss", t("kind_near_miss"), t("kind_near_miss_more")],
        ["hazard", t("kind_hazard"), t("kind_hazard_more")],
        ["injury", t("kind_injury"), t("kind_injury_more")],
        ["spill", t("kind_spill"), t("kind_spill_more")],
        ["damage", t("kind_damage"), t("kind_damage_more")],
        ["not_sure", t("not_sure"), t("kind_not_sure_more")],
      ],
      pick: (k) => void (app.draft.kind = k),
      above: [el("p", { class: "note", id: "badly" }, t("kind_badly"))],
    });

  // place goes down the tree: the places of this tablet first.
  place = (app: App, under?: Place): Screen => {
    const s = app.sender?.service;
    const places = s?.places ?? [];
    const root = places.find((p) => p.parent === "") ?? places[0];
    const home = places.find((p) => p.name === (app.place || s?.home));
    const top = under ?? root;
    const below = places.filter((p) => p.parent === top?.name);
    // The tablet's own place comes first; the rest follow by name.
    const list = [...below].sort((a, b) => Number(b === home) - Number(a === home) || a.title.localeCompare(b.title));
    const pick = (p: Place) => {
      app.draft.workplace = p.name;
      app.pad!.soon();
      this.flow.on();
    };
    const hasBelow = (p: Place) => places.some((q) => q.parent === p.name);
    const chosen = app.draft.workplace;
    return {
      name: "place",
      title: under ? t("place_below", { place: under.title }) : t("place_title"),
      at: this.flow.at("place"),
      back: under ? () => app.show(this.place(app, places.find((p) => p.name === under.parent && p !== root))) : () => this.flow.back(),
      ...(chosen ? { next: { words: t("next"), press: () => this.flow.on() } } : {}),
      body: [
        el("div", { class: "rows" },
          list.map((p) => row({
            words: p.title, id: "place-" + p.name.slice("workplaces/".length), chosen: p.name === chosen, chosenWords: t("chosen"),
            press: () => (hasBelow(p) ? app.show(this.place(app, p)) : pick(p)),
          })),
          under ? row({ words: t("place_all_of", { place: under.title }), id: "place-all", chosen: under.name === chosen, chosenWords: t("chosen"), press: () => pick(under) }) : null,
          !under && root ? row({ words: t("place_whole"), id: "place-not-sure", chosen: root.name === chosen, chosenWords: t("chosen"), press: () => pick(root) }) : null,
          !root ? row({ words: t("place_whole"), id: "place-not-sure", chosen: false, press: () => this.flow.on() }) : null),
      ],
    };
  };

  when = (app: App): Screen =>
    this.choice<When["how"]>(app, {
      name: "when", title: t("when_title"), chosen: app.draft.when?.how,
      of: [["now", t("when_now")], ["today", t("when_today")], ["yesterday", t("when_yesterday")], ["day", t("when_day")], ["not_sure", t("not_sure")]],
      pick: (how) => {
        if (how === "not_sure") app.draft.when = { how };
        else if (how !== "day") app.draft.when = { how, at: Date.now() };
        else {
          app.draft.when = { how, day: app.draft.when?.how === "day" ? app.draft.when.day : dayOf(Date.now()) };
          return this.day(app);
        }
      },
    });

  // day asks for the day, after "another day".
  day = (app: App): Screen => {
    const wrong = el("p", { class: "wrong", role: "alert", id: "wrong" });
    const w = app.draft.when;
    return {
      name: "day",
      title: t("when_day_label"),
      at: this.flow.at("when"),
      back: () => app.show(this.when(app)),
      next: {
        words: t("next"),
        press: () => {
          const now = app.draft.when;
          const day = now?.how === "day" ? midnight(now.day).getTime() : NaN;
          if (Number.isNaN(day)) wrong.textContent = t("when_day_label");
          else if (day > Date.now()) wrong.textContent = t("when_after");
          else this.flow.on();
        },
      },
      body: [
        field({
          label: t("when_day_label"), value: w?.how === "day" ? w.day : "", type: "date", id: "day",
          input: (day) => {
            app.draft.when = { how: "day", day };
            app.pad!.soon();
          },
        }),
        wrong,
      ],
    };
  };

  who = (app: App): Screen =>
    this.choice<Mode>(app, {
      name: "who", title: t("who_title"), chosen: app.draft.mode, must: true,
      of: [["named", t("who_named"), t("who_named_more")], ["few", t("who_few"), t("who_few_more")], ["nobody", t("who_nobody"), t("who_nobody_more")]],
      pick: (m) => {
        app.draft.mode = m;
        if (m === "nobody") app.draft.name = app.draft.contact = "";
      },
    });

  worst = (app: App): Screen =>
    this.choice<Worst>(app, {
      name: "worst", title: t("worst_title"), chosen: app.draft.worst,
      of: (["minor", "serious", "life", "fatal"] as const).map((w) => [w, t(("worst_" + w) as Key)] as [Worst, string]).concat([["not_sure", t("not_sure")]]),
      pick: (w) => void (app.draft.worst = w),
    });

  // safe leads to making it safe first, when it is not.
  safe = (app: App): Screen =>
    this.choice<"no" | "yes" | "not_sure">(app, {
      name: "safe", title: t("safe_title"), chosen: app.draft.safe,
      of: [["no", t("safe_no")], ["yes", t("safe_yes")], ["not_sure", t("not_sure")]],
      pick: (v) => {
        app.draft.safe = v;
        if (v !== "no") return this.first(app);
      },
    });

  first = (app: App): Screen => ({
    name: "first",
    title: t("safe_first"),
    at: this.flow.at("safe"),
    back: () => app.show(this.safe(app)),
    next: { words: t("next"), press: () => this.flow.on() },
    body: [
      el("ol", { class: "do" }, el("li", {}, t("safe_do_1")), el("li", {}, t("safe_do_2")), el("li", {}, t("safe_do_3"))),
      field({ label: t("safe_label"), value: app.draft.done, long: true, id: "done", input: (v) => { app.draft.done = v; app.pad!.soon(); } }),
    ],
  });
}
