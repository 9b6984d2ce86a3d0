// Filing by name: pick your name from those who agreed, and type your PIN on large
// keys. Names, PIN and leave are in memory only and go with the page. Without a
// network the name is typed, as it always can be.
import type { App, Screen, Turn } from "../app.ts";
import { turn, workers, type Worker } from "../door.ts";
import { el, row } from "../el.ts";
import { t, type Key } from "../words.ts";

const least = 4;
const most = 8;

// offered says whether a PIN can be given: on an enrolled tablet, by whoever tells
// and gives their name openly.
export function offered(app: App): boolean {
  return app.place !== "" && app.draft.mode === "named" && !app.draft.mate;
}

// Use is what a turn is for: what to say when there is none, and what to do with it.
export interface Use {
  away: Key;
  none: Key;
  wrong: Key;
  wait: Key;
  given: (turn: Turn) => void;
}

// toFile is a turn for the report that is being written.
function toFile(app: App, back: () => void): Use {
  const pad = app.pad;
  return {
    away: "pin_away", none: "pin_none", wrong: "pin_wrong", wait: "pin_wait",
    given: (turn) => {
      if (!pad || app.pad !== pad) return;
      app.turn = turn;
      app.draft.name = turn.name;
      app.draft.pin = true;
      pad.soon();
      back();
    },
  };
}

// pick asks for the names and shows them; it returns what to say when it cannot.
export async function pick(app: App, back: () => void, use: Use = toFile(app, back)): Promise<string> {
  const list = await workers();
  if (!list) return t(use.away);
  if (list.length === 0) return t(use.none);
  app.show({
    name: "pick",
    title: t("pin_pick"),
    back,
    body: [el("div", { class: "rows", id: "workers" }, list.map((w, i) => row({ words: w.name, id: "worker-" + (i + 1), press: () => app.show(keys(w, back, use)) })))],
  });
  return "";
}

// keys is the screen of the PIN: nothing of it is a field, so nothing fills it in
// or remembers it, and its numbers are never shown.
function keys(who: Worker, back: () => void, use: Use): Screen {
  let pin = "";
  let trying = false;
  const wrong = el("p", { class: "wrong", role: "alert", id: "wrong" });
  const dots = el("p", { class: "code", "aria-hidden": "true" });
  const said = el("p", { role: "status", id: "pin-said" });
  const draw = () => {
    dots.textContent = "\u25cf".repeat(pin.length) + "\u25cb".repeat(Math.max(0, least - pin.length));
    said.textContent = t("pin_typed", { n: pin.length });
  };
  const add = (digit: string) => {
    if (trying || pin.length >= most) return;
    wrong.textContent = "";
    pin += digit;
    draw();
  };
  const clear = () => {
    pin = "";
    draw();
  };
  const give = async () => {
    if (trying) return;
    if (pin.length < least) return void (wrong.textContent = t("pin_short"));
    trying = true;
    wrong.textContent = "";
    said.textContent = t("pin_trying");
    const done = await turn(who.principal, pin);
    trying = false;
    // Somebody may have gone elsewhere, or away, while it was asked.
    if (!said.isConnected) return;
    clear();
    if (typeof done !== "object") {
      wrong.textContent = t(done === undefined ? use.away : done === 429 || done >= 500 ? use.wait : use.wrong);
      return;
    }
    use.given({ name: who.name, secret: done.secret, until: Date.now() + done.minutes * 60_000 });
  };
  const key = (digit: string) => el("button", { type: "button", class: "key", id: "key-" + digit, click: () => add(digit) }, digit);
  draw();
  return {
    name: "pin",
    title: t("pin_title", { name: who.name }),
    back,
    next: { words: t("pin_give"), press: () => void give() },
    body: [
      dots,
      said,
      wrong,
      el("div", {
        class: "keys", role: "group", "aria-label": t("pin_keys"),
        keydown: (e) => {
          const k = (e as KeyboardEvent).key;
          if (/^[0-9]$/.test(k)) add(k);
          else if (k === "Backspace") clear();
        },
      }, [..."123456789"].map(key), el("button", { type: "button", class: "key words", id: "key-clear", click: clear }, t("pin_clear")), key("0")),
    ],
  };
}
