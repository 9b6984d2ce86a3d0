// What somebody told under their own name, in a turn begun with name and PIN.
// Turn and reports are in the memory of this page only: every way out of these
// screens loads the page anew, and so does the end of the turn.
import type { App, Screen, Turn } from "../app.ts";
import { own, ownAnswer, ownHeard, type Own } from "../door.ts";
import { el, row, type Kid } from "../el.ts";
import { apart, locale, t } from "../words.ts";
import { said, type Way } from "./hear.ts";
import { pick } from "./turn.ts";

// ownRow leads there; on a tablet that is not enrolled there is no turn, and no row.
export function ownRow(app: App, back: () => void): Kid {
  if (app.place === "") return null;
  const say = el("p", { role: "status", id: "own-said" });
  const open = async () => {
    say.textContent = t("own_looking");
    say.textContent = await pick(app, back, {
      away: "own_away", none: "own_no_names", wrong: "own_wrong", wait: "own_wait",
      given: (turn) => {
        setTimeout(() => end(app), Math.max(0, turn.until - Date.now()));
        void list(app, turn, "");
      },
    });
  };
  return el("div", {}, el("div", { class: "rows" }, row({ words: t("own_offer"), more: t("own_offer_more"), id: "own", press: () => void open() })), say);
}

// end forgets the turn and all that was read in it.
const end = (app: App) => void app.putAway();

// list shows a page of reports, newest first.
async function list(app: App, turn: Turn, after: string): Promise<void> {
  const page = await own(turn.secret, after);
  const wrong = el("p", { class: "wrong", role: "alert", id: "wrong" });
  if (typeof page !== "object") {
    wrong.textContent = away(page);
    return app.show(screen(app, [wrong]));
  }
  const open = async (o: Own) => {
    const heard = await ownHeard(turn.secret, o.report);
    if (!wrong.isConnected) return;
    if (typeof heard === "object") app.show(said(app, byTurn(turn, o), heard, "", () => void list(app, turn, after)));
    else wrong.textContent = away(heard);
  };
  app.show(screen(app, [
    el("p", { class: "lead", id: "own-say" }, t(page.reports.length === 0 ? "own_none" : "own_say")),
    wrong,
    el("div", { class: "rows", id: "own-list" }, page.reports.map((o, i) => row({
      words: `${t("own_date", { date: day(o.date) })} · ${apart(o.shortCode)}`,
      more: [o.questions > 0 ? t("own_question") : o.unread > 0 ? t("own_unread") : "", apart(o.summary)].filter(Boolean).join(" "),
      id: "own-" + (i + 1),
      press: () => void open(o),
    })), page.next ? [row({ words: t("own_older"), id: "own-older", press: () => void list(app, turn, page.next) })] : []),
    el("p", { class: "more" }, t("own_rest")),
  ]));
}

function screen(app: App, body: Kid[]): Screen {
  return { name: "own", title: t("own_title"), back: () => end(app), body };
}

// byTurn is the way to one report of whoever has the turn.
function byTurn(turn: Turn, o: Own): Way {
  return {
    hear: () => ownHeard(turn.secret, o.report),
    answer: (a) => ownAnswer(turn.secret, { report: o.report, ...a }),
    away,
    below: o.shortCode,
  };
}

const away = (status: number | undefined) => t(status === 401 || status === 403 ? "own_over" : "own_away");

// day writes a day as it is written here.
function day(date: string): string {
  return date === "" ? "" : new Date(date + "T12:00").toLocaleDateString(locale(), { dateStyle: "long" });
}
