// Hearing back: whoever kept the receipt code reads what was done, answers
// questions, and says that it is not fixed. What was heard is kept under the
// code, for the next time without a network.
import type { App, Screen } from "../app.ts";
import { answer, hear, type Heard } from "../door.ts";
import { el, field, row } from "../el.ts";
import { randomID } from "../ids.ts";
import { keyFor, lock, newSalt, unlock } from "../lock.ts";
import { readCode, spoken } from "../receipt.ts";
import { strict, type Store } from "../store.ts";
import { apart, t } from "../words.ts";
import { ownRow } from "./own.ts";

// rounds need not be many: nobody tries 80 bits through.
const rounds = 1;

async function idOf(code: string): Promise<string> {
  const sum = await crypto.subtle.digest("SHA-256", new TextEncoder().encode("fairlead tablet heard\n" + code));
  return Array.from(new Uint8Array(sum), (b) => b.toString(16).padStart(2, "0")).join("");
}

async function keep(db: Store, code: string, heard: Heard): Promise<void> {
  const salt = newSalt();
  const locked = await lock(await keyFor(code, salt, rounds), new TextEncoder().encode(JSON.stringify(heard)));
  const id = await idOf(code);
  const tx = db.transaction("heard", "readwrite", strict);
  await Promise.all([tx.store.put({ id, salt, ...locked }), tx.done]);
}

async function kept(db: Store, code: string): Promise<Heard | undefined> {
  const s = await db.get("heard", await idOf(code));
  const open = s && (await unlock(await keyFor(code, s.salt, rounds), s));
  return open && (JSON.parse(new TextDecoder().decode(open)) as Heard);
}

export function hearScreen(app: App, back: () => void): Screen {
  let written = "";
  const wrong = el("p", { class: "wrong", role: "alert", id: "wrong" });
  const look = async () => {
    const code = readCode(written);
    if (!code) return void (wrong.textContent = t("hear_wrong"));
    const heard = await hear(code);
    if (typeof heard === "object") {
      await keep(app.db!, code, heard);
      return app.show(said(app, byCode(app, code), heard, "", back));
    }
    if (heard !== undefined && heard < 500 && heard !== 429) return void (wrong.textContent = t("hear_none"));
    const old = await kept(app.db!, code);
    if (old) app.show(said(app, byCode(app, code), old, t("hear_kept"), back));
    else wrong.textContent = t("hear_away");
  };
  return {
    name: "hear",
    title: t("hear_title"),
    back,
    next: { words: t("hear_open"), press: () => void look() },
    body: [field({ label: t("hear_label"), value: "", max: 40, id: "receipt", mode: "text", input: (v) => (written = v) }), wrong, ownRow(app, back)],
  };
}

// Way is how a teller comes to a report: by its code, or in their turn.
export interface Way {
  hear: () => Promise<Heard | number | undefined>;
  answer: (a: { text: string; notFixed: boolean; answers: string; requestID: string }) => Promise<object | number | undefined>;
  // away says why nothing could be sent.
  away: (status: number | undefined) => string;
  // below stands at the foot of the screen.
  below: string;
}

function byCode(app: App, code: string): Way {
  return {
    hear: async () => {
      const now = await hear(code);
      if (typeof now === "object") await keep(app.db!, code, now);
      return now;
    },
    answer: (a) => answer({ code, ...a }),
    away: () => t("hear_away"),
    below: spoken(code),
  };
}

// said shows what came of a report, and takes what its teller has to say.
export function said(app: App, way: Way, heard: Heard, note: string, back: () => void): Screen {
  let text = "";
  // One id for what is being written: pressed twice it is one message.
  let id = randomID();
  const say = el("p", { role: "status", id: "say" });
  const question = heard.messages.filter((m) => m.question).at(-1);
  const send = async (notFixed: boolean) => {
    if (!notFixed && text.trim() === "") return;
    const done = await way.answer({ text: text.trim(), notFixed, answers: notFixed ? "" : (question?.name ?? ""), requestID: id });
    if (typeof done !== "object") return void (say.textContent = way.away(done));
    id = randomID();
    const now = await way.hear();
    if (!say.isConnected) return;
    if (typeof now === "object") app.show(said(app, way, now, t("hear_sent"), back));
    else say.textContent = t("hear_sent");
  };
  return {
    name: "heard",
    title: t("hear_title"),
    back,
    body: [
      el("p", { class: "note", role: "status", id: "hear-note", hidden: !note }, note),
      el("p", { id: "summary", class: "lead", dir: "auto" }, heard.summary),
      el("p", { class: "more", dir: "auto" }, heard.aboutName),
      el("ul", { class: "facts" }, heard.steps.map((s) => el("li", {}, el("strong", {}, s.date + " "), apart(s.words)))),
      heard.messages.length === 0 ? el("p", {}, t("hear_nothing")) : null,
      el("ul", { class: "facts", id: "messages" }, heard.messages.map((m) =>
        el("li", {}, el("strong", {}, `${m.date} ${m.from === "house" ? (m.question ? t("hear_ask") : t("hear_they")) : t("hear_you")}: `), m.notFixed ? t("hear_not_fixed") + ". " : "", apart(m.text)))),
      field({ label: t("hear_answer"), value: "", long: true, id: "answer", input: (v) => (text = v) }),
      el("div", { class: "rows" },
        row({ words: t("hear_send"), id: "answer-send", press: () => void send(false) }),
        row({ words: t("hear_not_fixed"), id: "not-fixed", press: () => void send(true) })),
      say,
      el("p", { class: "more" }, apart(way.below)),
    ],
  };
}
