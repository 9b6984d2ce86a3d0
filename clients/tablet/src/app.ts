// The shell around the screens: it draws one at a time, knows the way on and
// back, keeps the strip at the top true, and puts everything away when nobody
// is there. It keeps no history: the browser's own way back only presses Back.
import { el, type Kid } from "./el.ts";
import type { Draft } from "./draft.ts";
import type { Space } from "./health.ts";
import { shown } from "./lock.ts";
import type { Pad } from "./pad.ts";
import { tally, type Tally } from "./queue.ts";
import type { Sender } from "./sender.ts";
import type { Store } from "./store.ts";
import { language, t } from "./words.ts";

export interface Way {
  words: string;
  press: () => void;
}

// Screen is one screen: a title, what is asked, and the ways back and on.
export interface Screen {
  name: string;
  title: string;
  body: Kid[];
  back?: (() => void) | undefined;
  next?: Way | undefined;
  // skip is the way on for who does not want to answer; it is counted.
  skip?: (() => void) | undefined;
  // at is where on the way it is.
  at?: { n: number; of: number } | undefined;
  strong?: boolean;
  // watch runs when it is shown, and whenever the queue changes while it is.
  watch?: (() => void) | undefined;
}

// What the page that follows has to say: that one was cleared, and nothing else.
const clearedMark = "cleared";

function noteCleared(): void {
  try {
    sessionStorage.setItem(clearedMark, "1");
  } catch {
    // Then it is not said; the words are kept all the same.
  }
}

// wasCleared says, once, that the page before this one was cleared.
export function wasCleared(): boolean {
  try {
    const was = sessionStorage.getItem(clearedMark) !== null;
    sessionStorage.removeItem(clearedMark);
    return was;
  } catch {
    return false;
  }
}

const blankTally: Tally = { waiting: 0, overADay: 0, kept: 0 };

// Turn is leave to file as somebody who gave their PIN. It is in memory only, and
// goes with the page.
export interface Turn {
  name: string;
  secret: string;
  until: number;
}

export class App {
  pad: Pad | undefined;
  turn: Turn | undefined;
  sender: Sender | undefined;
  tally = blankTally;
  // place is where this tablet is enrolled; "" when it is not.
  place = "";
  space: Space = { used: 0, all: 0, persisted: true };
  // busy holds the idle clock while somebody records or a photo is read.
  busy = false;
  // cleared says that the screen was left alone and was cleared: the next screen
  // says so, and not whose it was.
  cleared = false;
  // returning says that one answer is being changed, and the look follows.
  returning = false;
  private screen: Screen | undefined;
  private since = 0;
  private strip = el("p", { class: "state", role: "status" });
  private main = el("main");
  private ways = el("footer", { class: "ways" });
  private head: HTMLElement;

  constructor(
    root: HTMLElement,
    public db: Store | undefined,
    private card: () => void,
    private home: () => void,
  ) {
    this.head = el("header", { class: "strip" }, this.strip);
    root.replaceChildren(this.head, this.main, this.ways);
    // The way back of the device is the way back of the screen; there is only
    // ever one entry, so nothing can be paged through afterwards.
    history.replaceState(null, "");
    history.pushState(null, "");
    addEventListener("popstate", () => {
      history.pushState(null, "");
      this.screen?.back?.();
    });
  }

  get draft(): Draft {
    return this.pad!.draft;
  }

  // use makes a draft the one that is written.
  use(pad: Pad): void {
    this.pad = pad;
    this.turn = undefined;
    this.cleared = false;
    pad.onChange = () => this.tell();
    this.tell();
  }

  // turnNow is the turn that goes with what is written: not once it is over, nor
  // with another name, for a mate, or when the name is not given openly: the log of
  // the service says who filed.
  turnNow(): Turn | undefined {
    const { mode, mate, name } = this.draft;
    const on = this.turn && Date.now() < this.turn.until && mode === "named" && !mate && name === this.turn.name;
    return on ? this.turn : undefined;
  }

  show(s: Screen): void {
    this.leave();
    this.screen = s;
    this.since = performance.now();
    const title = el("h1", { tabindex: -1 }, s.title);
    document.body.dataset["screen"] = s.name;
    this.main.replaceChildren(
      ...(s.at ? [this.staff(s.at)] : []),
      title,
      ...(language().machine ? [el("p", { class: "machine" }, t("machine"))] : []),
      ...el("div", {}, ...s.body).childNodes,
    );
    const sos = el("button", { type: "button", class: "sos", id: "emergency", click: this.card }, t("emergency"));
    this.head.replaceChildren(this.strip, sos);
    this.ways.replaceChildren(
      ...[
        s.back ? el("button", { type: "button", class: "way", id: "back", click: s.back }, t("back")) : el("span"),
        s.next
          ? el("button", { type: "button", class: s.strong ? "way on strong" : "way on", id: "next", click: s.next.press }, s.next.words)
          : s.skip
            ? el("button", { type: "button", class: "way on", id: "next", click: () => this.skipped(s) }, t("skip"))
            : el("span"),
      ],
    );
    this.tell();
    scrollTo(0, 0);
    title.focus({ preventScroll: true });
    s.watch?.();
  }

  // staff shows how far one is, as marks on a measuring staff, and says it.
  private staff(at: { n: number; of: number }): HTMLElement {
    const marks = Array.from({ length: at.of }, (_, i) => el("span", { class: i < at.n ? "past" : "" }));
    return el("p", { class: "staff" }, el("span", { class: "hide" }, `${at.n} / ${at.of}`), ...marks);
  }

  private skipped(s: Screen): void {
    if (this.pad && !this.draft.skipped.includes(s.name)) this.draft.skipped.push(s.name);
    s.skip?.();
  }

  // leave notes how long the screen took: to test the form.
  leave(): void {
    if (!this.pad || !this.screen?.at) return;
    const s = (performance.now() - this.since) / 1000;
    this.draft.seconds[this.screen.name] = (this.draft.seconds[this.screen.name] ?? 0) + s;
    this.since = performance.now();
  }

  // tell says in the strip where the words are.
  tell(): void {
    const p = this.pad;
    let words: string;
    let state: string;
    if (p?.problem) [words, state] = [t("warn_failed", { why: p.problem }), "trouble"];
    else if (p?.kept) [words, state] = [t("strip_writing", { code: shown(p.code) }), "kept"];
    else if (p) [words, state] = [p.ever ? t("strip_keeping", { code: shown(p.code) }) : t("strip_opening"), "unkept"];
    else if (this.tally.waiting > 0) [words, state] = [t("strip_waiting", { n: this.tally.waiting }), "waiting"];
    else [words, state] = [t("strip_clear"), "clear"];
    words = words.replace(/(\d{3}) (\d{3})/, "$1\u00a0$2"); // a code stays on one line
    if (this.strip.textContent !== words) this.strip.textContent = words;
    this.strip.dataset["state"] = state;
  }

  async count(): Promise<void> {
    if (!this.db) return;
    this.tally = await tally(this.db, Date.now());
    this.tell();
    this.screen?.watch?.();
  }

  // pinOver says that a PIN was given for this draft and no longer counts: its time
  // is over, or the tablet was put away since. The report goes with the name as typed.
  pinOver(): boolean {
    const { mode, mate, pin } = this.draft;
    return !!pin && mode === "named" && !mate && !this.turnNow();
  }

  // putAway goes back to the start and forgets: the page is loaded anew, so that
  // nothing of it is left in memory. What could not be kept stays on the screen.
  // alone says that nobody asked for it.
  async putAway(alone = false): Promise<void> {
    if (this.pad && !(await this.pad.keep())) return this.tell();
    if (this.pad && alone) noteCleared();
    this.pad = this.turn = undefined;
    this.main.replaceChildren();
    this.home();
  }
}
