// The screens where somebody tells: name, words, photos and sound, what was
// spilled or broken, the exact spot.
import type { App, Screen } from "../app.ts";
import { number, type FileMark, type Help, type Water } from "../draft.ts";
import { el, field, row, type Kid } from "../el.ts";
import type { Flow } from "../flow.ts";
import { shrunk } from "../photo.ts";
import { Recorder } from "../sound.ts";
import { whereNow } from "../position.ts";
import { bodyMap } from "./body.ts";
import { offered, pick } from "./turn.ts";
import { planMap, planOf, planWords } from "./plan.ts";
import { t, type Key } from "../words.ts";
import { why } from "../why.ts";

const prompts: Key[] = ["words_fell", "words_rolled", "words_kicked", "words_slid", "words_spilled", "words_started", "words_slipped", "words_broke"];
const mostFiles = 10;

export class Telling {
  constructor(private flow: Flow) {}

  // asks is what all these screens have in common.
  private asks(name: string, title: string, body: Kid[], next = () => this.flow.on()): Screen {
    return { name, title, body, at: this.flow.at(name), back: () => this.flow.back(), next: { words: t("next"), press: next } };
  }

  private keeps(app: App, set: (v: string) => void): (v: string) => void {
    return (v) => {
      set(v);
      app.pad!.soon();
    };
  }

  name = (app: App): Screen => {
    const d = app.draft;
    const mate = row({
      words: t("name_mate"), more: t("name_mate_more"), id: "mate", chosen: d.mate, chosenWords: t("chosen"),
      press: () => {
        d.mate = !d.mate;
        app.pad!.soon();
        app.show(this.name(app));
      },
    });
    const said = el("p", { role: "status", id: "turn-said" });
    const tell = () => {
      const on = app.turnNow();
      said.textContent = on ? t("pin_right", { n: Math.max(1, Math.floor((on.until - Date.now()) / 60_000)) }) : app.pinOver() ? t("pin_over") : "";
    };
    tell();
    const again = () => app.show(this.name(app));
    const mine = row({
      words: t("pin_offer"), more: t("pin_offer_more"), id: "pick",
      press: () => {
        said.textContent = t("pin_looking");
        void pick(app, again).then((why) => said.isConnected && (said.textContent = why));
      },
    });
    return this.asks("name", t("name_title"), [
      offered(app) ? el("div", { class: "rows" }, mine) : null,
      said,
      field({
        label: t("name_label"), value: d.name, max: 120, id: "name",
        input: this.keeps(app, (v) => {
          d.name = v;
          d.pin = !!app.turnNow(); // another name is meant as another name
          tell();
        }),
      }),
      field({ label: t("name_contact"), more: t("name_contact_more"), value: d.contact, max: 200, id: "contact", input: this.keeps(app, (v) => (d.contact = v)) }),
      el("div", { class: "rows" }, mate),
    ]);
  };

  words = (app: App): Screen => {
    const d = app.draft;
    const wrong = el("p", { class: "wrong", role: "alert", id: "wrong" });
    const box = field({ label: t("words_label"), value: d.words, long: true, max: 20_000, id: "words", input: this.keeps(app, (v) => (d.words = v)) });
    const area = box.querySelector("textarea")!;
    const add = (key: Key) => {
      area.value = (area.value.trimEnd() + " " + t(key)).trimStart() + " ";
      d.words = area.value;
      app.pad!.soon();
    };
    const files = el("div", { class: "rows", id: "files" });
    const draw = () => files.replaceChildren(...d.files.map((f, i) => this.fileRow(app, f, i, draw)));
    draw();
    return this.asks("words", t(d.kind === "hazard" ? "words_hazard_title" : "words_title"), [
      box,
      wrong,
      el("div", { class: "pair" }, this.talk(app, wrong, draw), this.photo(app, wrong, draw)),
      files,
      el("p", { id: "prompts" }, t("words_prompt")),
      el("div", { class: "chips", role: "group", "aria-labelledby": "prompts" },
        prompts.map((p) => el("button", { type: "button", class: "chip", click: () => add(p) }, t(p)))),
    ], () => {
      if (d.words.trim() !== "" || d.files.some((f) => f.kind === "sound")) this.flow.on();
      else wrong.textContent = t("words_needed");
    });
  };

  private fileRow(app: App, f: FileMark, i: number, draw: () => void): HTMLElement {
    const name = f.kind === "photo" ? t("words_picture", { n: i + 1 }) : t("words_sound", { n: i + 1, s: f.seconds });
    const show = el("div", { class: "file" }, el("p", {}, name));
    void app.pad!.blob(f).then((blob) => {
      if (!blob) return void show.append(el("p", { class: "wrong" }, t("draft_damaged")));
      // Held by the page alone, and gone with it.
      const url = URL.createObjectURL(blob);
      show.append(f.kind === "photo" ? el("img", { src: url, alt: name, load: () => URL.revokeObjectURL(url) }) : player(url, name));
    });
    return el("div", { class: "kept-file" }, show,
      el("button", { type: "button", class: "small", click: () => void app.pad!.detach(f.id).then(draw) }, t("words_remove"), el("span", { class: "hide" }, " " + name)));
  }

  private talk(app: App, wrong: HTMLElement, draw: () => void): HTMLElement {
    const r = new Recorder();
    const button = el("button", {
      type: "button", class: "big", id: "talk", "aria-pressed": "false",
      click: () => {
        wrong.textContent = "";
        if (app.draft.files.length >= mostFiles && !r.running) wrong.textContent = t("words_full");
        else if (r.running) r.stop();
        else
          void r.start((s) => (button.textContent = t("words_talk_stop", { s })), () => {
            app.busy = true;
            button.setAttribute("aria-pressed", "true");
          }).then(async (sound) => {
            app.busy = false;
            button.setAttribute("aria-pressed", "false");
            button.textContent = t("words_talk");
            if (!sound) wrong.textContent = t("words_talk_no");
            else await this.attach(app, wrong, draw, { kind: "sound", type: sound.blob.type, seconds: sound.seconds }, sound.blob);
          });
      },
    }, t("words_talk"));
    return button;
  }

  private photo(app: App, wrong: HTMLElement, draw: () => void): HTMLElement {
    const input = el("input", {
      type: "file", accept: "image/*", capture: "environment", hidden: true, tabindex: -1, "aria-hidden": "true", id: "camera",
      change: () => {
        const file = input.files?.[0];
        if (!file) return;
        if (app.draft.files.length >= mostFiles) return void (wrong.textContent = t("words_full"));
        app.busy = true;
        void shrunk(file)
          .then((blob) => this.attach(app, wrong, draw, { kind: "photo", type: blob.type, seconds: 0 }, blob))
          .catch(() => (wrong.textContent = t("words_photo_no")))
          .finally(() => {
            app.busy = false;
            input.value = "";
          });
      },
    });
    return el("div", {}, el("button", { type: "button", class: "big", id: "photo", click: () => input.click() }, t("words_photo")), input);
  }

  private async attach(app: App, wrong: HTMLElement, draw: () => void, mark: Omit<FileMark, "id">, blob: Blob): Promise<void> {
    try {
      await app.pad!.attach(mark, blob);
      wrong.textContent = "";
    } catch (e) {
      wrong.textContent = t("warn_failed", { why: why(e) });
    }
    draw();
  }

  hurt = (app: App): Screen => {
    const d = app.draft;
    return this.asks("hurt", t("hurt_title"), [
      el("p", {}, t("hurt_say")),
      bodyMap(d.body, () => app.pad!.soon()),
      field({ label: t("hurt_label"), value: d.hurt, long: true, id: "hurt", input: this.keeps(app, (v) => (d.hurt = v)) }),
      this.few(app, "help", t("hurt_help"), d.help, ["none", "first", "doctor", "hospital"].map((h) => [h as Help, t(("hurt_help_" + h) as Key)]), (v) => (d.help = v)),
    ]);
  };

  spill = (app: App): Screen => {
    const d = app.draft;
    const wrong = el("p", { class: "wrong", role: "alert", id: "wrong" });
    return this.asks("spill", t("spill_title"), [
      field({ label: t("spill_what"), value: d.substance, max: 200, id: "substance", input: this.keeps(app, (v) => (d.substance = v)) }),
      field({ label: t("spill_litres"), value: d.litres, mode: "decimal", max: 16, id: "litres", input: this.keeps(app, (v) => (d.litres = v)) }),
      field({ label: t("spill_area"), more: t("spill_area_more"), value: d.area, mode: "decimal", max: 16, id: "area", input: this.keeps(app, (v) => (d.area = v)) }),
      this.few(app, "water", t("spill_water"), d.water, (["no", "drain", "water"] as const).map((w) => [w as Water, t(("spill_water_" + w) as Key)]), (v) => (d.water = v)),
      field({ label: t("spill_steps"), value: d.steps, long: true, id: "steps", input: this.keeps(app, (v) => (d.steps = v)) }),
      wrong,
    ], () => {
      if (Number.isNaN(number(d.litres) ?? 0) || Number.isNaN(number(d.area) ?? 0)) wrong.textContent = t("spill_number");
      else this.flow.on();
    });
  };

  // few is a short question among others on a screen.
  private few<T extends string>(app: App, name: string, question: string, chosen: T | "not_sure" | undefined, of: [T, string][], pick: (v: T | "not_sure") => void): HTMLElement {
    const id = name + "-q";
    const rows: [T | "not_sure", string][] = [...of, ["not_sure", t("not_sure")]];
    const group = el("div", { class: "rows", role: "group", "aria-labelledby": id });
    const draw = (now: T | "not_sure" | undefined) =>
      group.replaceChildren(...rows.map(([value, words]) => row({
        words, id: `${name}-${value}`, chosen: value === now, chosenWords: t("chosen"),
        press: () => {
          pick(value);
          app.pad!.soon();
          draw(value);
          document.getElementById(`${name}-${value}`)?.focus();
        },
      })));
    draw(chosen);
    return el("div", { class: "few" }, el("p", { id, class: "question" }, question), group);
  }

  damage = (app: App): Screen =>
    this.asks("damage", t("damage_title"), [
      field({ label: t("damage_label"), value: app.draft.damage, long: true, id: "damage", input: this.keeps(app, (v) => (app.draft.damage = v)) }),
    ]);

  spot = (app: App): Screen => {
    const d = app.draft;
    const box = field({ label: t("spot_label"), more: t("spot_more"), value: d.spot, max: 500, id: "spot", input: this.keeps(app, (v) => (d.spot = v)) });
    const say = el("p", { role: "status" });
    const plan = el("div", {});
    void planOf(app, d.workplace).then(async (picture) => {
      if (picture) plan.replaceChildren(await planMap(picture, (words) => {
        const input = box.querySelector("input")!;
        // Pointed again, the new square takes the place of the old one.
        input.value = d.spot = [d.spot.replace(planWords, "").trim(), words].filter(Boolean).join(" ").slice(0, 500);
        app.pad!.soon();
      }));
    });
    return this.asks("spot", t("spot_title"), [
      box,
      plan,
      el("div", { class: "rows" }, row({
        words: t("spot_here"), id: "here",
        press: () => {
          say.textContent = t("spot_looking");
          void whereNow().then((at) => {
            say.textContent = at ? "" : t("spot_none");
            if (!at) return;
            const input = box.querySelector("input")!;
            input.value = d.spot = `${d.spot.trim()} (${at.lat}, ${at.lon}, ±${at.m} m)`.trim().slice(0, 500);
            app.pad!.soon();
          });
        },
      })),
      say,
    ]);
  };

  // done is where what was done can be added later.
  done = (app: App): Screen =>
    this.asks("done", t("safe_label"), [
      field({ label: t("safe_label"), value: app.draft.done, long: true, id: "done", input: this.keeps(app, (v) => (app.draft.done = v)) }),
    ]);
}

// player is one large button that plays and stops.
function player(url: string, name: string): HTMLElement {
  const audio = new Audio(url);
  const words = document.createTextNode("");
  const say = () => (words.data = t(audio.paused ? "words_play" : "words_stop"));
  for (const e of ["play", "pause", "ended"]) audio.addEventListener(e, say);
  say();
  return el("button", {
    type: "button", class: "small play",
    click: () => {
      if (audio.paused) void audio.play().catch(() => {});
      else {
        audio.pause();
        audio.currentTime = 0;
      }
    },
  }, words, el("span", { class: "hide" }, " " + name));
}
