// The queue: what is sealed and on its way, and the one loop that sends it.
import { contents } from "./draft.ts";
import { deliver, hello, plan, type Hello } from "./door.ts";
import { randomID } from "./ids.ts";
import { keyFor, unlock } from "./lock.ts";
import type { Kept, Pad } from "./pad.ts";
import { newCode } from "./receipt.ts";
import { bytes, seal } from "./seal.ts";
import { dayOf, recall, remember, strict, type Item, type Store } from "./store.ts";
import { content, fromBase64, request } from "./wire.ts";

// Plan is the picture of a place.
export interface Plan {
  sum: string;
  picture: Blob;
}

// keptDays is how long a received report's number and code stay to be looked up.
const keptDays = 30;

// enqueue seals the draft of a pad into the queue. In one transaction the sealed
// report and its photos come and the draft goes: a crash leaves the one or the
// other, never both and never neither.
// The receipt code goes to the writer and into the seal, and is not kept open here.
// It is kept under the draft's own code, until the writer has it; see shownAgain.
export async function enqueue(db: Store, pad: Pad, service: Hello, now: number, turn = ""): Promise<{ item: Item; receipt: string }> {
  const receipt = newCode();
  const made = contents(pad.draft, now, receipt, turn);
  const key = fromBase64(service.publicKey);
  const day = dayOf(now);
  const blank = { state: "saved" as const, day, keyID: service.keyID };
  const report = await seal(key, content(made.report));
  const head: Item = { id: randomID(), number: 0, after: "", order: 0, ...blank, ...report };
  const items = [head];
  for (const f of made.files) {
    const open = await pad.file(f.mark.id);
    if (!open) continue; // what cannot be read cannot be sent; the words still are
    items.push({ id: randomID(), number: 0, after: head.id, order: 0, ...blank, ...(await seal(key, content(f.content, open))) });
  }
  const again: StoredReceipt = { day, ...(await pad.locked(bytes(receipt))) };
  const tx = db.transaction(["queue", "drafts", "files", "meta"], "readwrite", strict);
  void tx.objectStore("meta").put(again, receiptKey + head.id);
  const queue = tx.objectStore("queue");
  const last = await queue.index("order").openCursor(null, "prev");
  const used = new Set((await queue.getAll()).map((i) => i.number));
  head.number = freeNumber(used);
  items.forEach((i, n) => {
    i.order = (last?.value.order ?? 0) + 1 + n;
    void queue.put(i);
  });
  void tx.objectStore("drafts").delete(pad.draft.id);
  const files = tx.objectStore("files");
  for (const id of await files.index("draft").getAllKeys(pad.draft.id)) void files.delete(id);
  // Marks of a draft that was split by two windows lie under its older id.
  for (const f of pad.draft.files) void files.delete(f.id);
  await tx.done;
  return { item: head, receipt };
}

// StoredReceipt is a receipt code under the code of its draft.
interface StoredReceipt extends Kept {
  day: string;
}
const receiptKey = "receipt:";
const receiptRange = IDBKeyRange.bound(receiptKey, receiptKey + "\uffff");
const receiptDays = 2;

// shownAgain finds the receipt that its writer may not have seen: the battery went
// before they pressed Done.
export async function shownAgain(db: Store, code: string): Promise<{ item: Item; receipt: string } | undefined> {
  for (const key of (await db.getAllKeys("meta", receiptRange)) as string[]) {
    const kept = await recall<StoredReceipt>(db, key);
    const open = kept && (await unlock(await keyFor(code, kept.salt, kept.rounds), kept));
    const item = open && (await db.get("queue", key.slice(receiptKey.length)));
    if (item) return { item, receipt: new TextDecoder().decode(open) };
  }
  return undefined;
}

// receiptSeen forgets a receipt: its writer has it.
export async function receiptSeen(db: Store, report: string): Promise<void> {
  const tx = db.transaction("meta", "readwrite", strict);
  await Promise.all([tx.store.delete(receiptKey + report), tx.done]);
}

// freeNumber is a number that is not in use, by chance: the order in which
// numbers were given would tell who came when.
function freeNumber(used: Set<number>): number {
  for (let top = 100; ; top *= 10) {
    const free: number[] = [];
    for (let n = top / 10; n < top; n++) if (!used.has(n)) free.push(n);
    if (free.length > top / 5) return free[crypto.getRandomValues(new Uint32Array(1))[0]! % free.length]!;
  }
}

// Tally is what the screens want to know.
export interface Tally {
  waiting: number;
  overADay: number;
  kept: number;
}

export async function tally(db: Store, now: number): Promise<Tally> {
  const today = dayOf(now);
  const open = (await db.getAll("queue")).filter((i) => i.state !== "received");
  const reports = open.filter((i) => i.number > 0);
  return {
    waiting: reports.filter((i) => i.state !== "kept").length,
    overADay: open.filter((i) => i.state !== "kept" && i.day !== today).length,
    kept: open.filter((i) => i.state === "kept").length,
  };
}

// filesLeft counts the photos and sounds of a report that are still here.
export async function filesLeft(db: Store, report: string): Promise<number> {
  return (await db.getAll("queue")).filter((i) => i.after === report).length;
}

// Sender sends what is waiting, one after the other, and never gives up.
export class Sender {
  service: Hello | undefined;
  signedOut = false;
  // aheadSeconds is how far this clock is ahead; undefined until it is known.
  aheadSeconds: number | undefined;
  onChange: () => void = () => {};
  private timer = 0;
  private waitSeconds = 0;
  private running: Promise<void> | undefined;

  constructor(private db: Store) {}

  async begin(): Promise<void> {
    this.service = await recall<Hello>(this.db, "service");
    this.signedOut = (await recall<boolean>(this.db, "signedOut")) ?? false;
    // Tablets lie about being online, so the event only makes it try sooner.
    addEventListener("online", () => this.soon());
    document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && this.soon());
    this.soon();
  }

  // soon tries now, and again from short waits on.
  soon(): void {
    this.waitSeconds = 0;
    this.after(0);
  }

  private after(seconds: number): void {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => void this.run(), seconds * 1000) as unknown as number;
  }

  // run goes through the queue once. Two windows never send at the same time.
  run(): Promise<void> {
    this.running ??= navigator.locks
      .request("fairlead-send", () => this.round())
      .catch(() => false)
      .then((done) => {
        this.running = undefined;
        this.waitSeconds = done ? 60 : Math.min(300, Math.max(5, this.waitSeconds * 2));
        this.after(this.waitSeconds);
        this.onChange();
      });
    return this.running;
  }

  // round returns whether everything went that could go.
  private async round(): Promise<boolean> {
    if (!(await this.greet())) return false;
    await this.forget();
    const today = dayOf(Date.now());
    for (const key of await this.db.getAllKeysFromIndex("queue", "order")) {
      const item = await this.db.get("queue", key);
      if (!item?.ciphertext || (item.state === "kept" && item.triedDay === today)) continue;
      if (item.after && (await this.db.get("queue", item.after))?.ciphertext) continue;
      const answer = await this.deliver(item);
      if (answer === "later" || answer === "signed out") return false;
    }
    return true;
  }

  // greet meets the service: key, places, card, and the right time.
  private async greet(): Promise<boolean> {
    const before = Date.now();
    const h = await hello();
    if (h === "signed out") await this.setSignedOut(true);
    if (!h || h === "signed out") return false;
    await this.setSignedOut(false);
    const ahead = Math.round((Date.now() + before) / 2 / 1000 - Date.parse(h.time) / 1000);
    this.aheadSeconds = Math.abs(ahead) > 120 ? ahead : 0;
    this.service = h;
    await remember(this.db, "service", h);
    this.onChange();
    await this.fetchPlans(h);
    return true;
  }

  // fetchPlans keeps the pictures of places that are new or have changed.
  private async fetchPlans(h: Hello): Promise<void> {
    for (const [place, sum] of Object.entries(h.plans ?? {})) {
      const key = "plan:" + place;
      if ((await recall<Plan>(this.db, key))?.sum === sum) continue;
      const picture = await plan(place);
      if (picture) await remember(this.db, key, { sum, picture } satisfies Plan);
    }
  }

  private async setSignedOut(is: boolean): Promise<void> {
    if (this.signedOut === is) return;
    this.signedOut = is;
    await remember(this.db, "signedOut", is);
  }

  private async deliver(item: Item): Promise<string> {
    // From here on it may have left; and what is said of the clock stays as it
    // is, so that a replay is the same request.
    item.aheadSeconds ??= this.aheadSeconds ?? 0;
    item.state = item.state === "kept" ? "kept" : "sent";
    await this.put(item);
    this.onChange();
    const answer = await deliver(
      request({ keyID: item.keyID, encapsulated: item.encapsulated!, ciphertext: item.ciphertext!, aheadSeconds: item.aheadSeconds }),
    );
    switch (answer.what) {
      case "received":
        if (item.number > 0) await this.put({ ...item, state: "received", code: answer.code, encapsulated: undefined, ciphertext: undefined });
        else await this.remove(item.id);
        break;
      case "refused":
        await this.put({ ...item, state: "kept", triedDay: dayOf(Date.now()) });
        break;
      case "signed out":
        await this.setSignedOut(true);
    }
    this.onChange();
    return answer.what;
  }

  private async put(item: Item): Promise<void> {
    const tx = this.db.transaction("queue", "readwrite", strict);
    await Promise.all([tx.store.put(item), tx.done]);
  }

  private async remove(id: string): Promise<void> {
    const tx = this.db.transaction("queue", "readwrite", strict);
    await Promise.all([tx.store.delete(id), tx.done]);
  }

  // again makes what was refused go once more now.
  async again(): Promise<void> {
    for (const item of await this.db.getAll("queue")) if (item.triedDay) await this.put({ ...item, triedDay: undefined });
    this.soon();
    await this.run();
  }

  // forget takes out numbers of reports that were received long ago, and receipts
  // that nobody came back for.
  private async forget(): Promise<void> {
    const oldest = dayOf(Date.now() - keptDays * 86_400_000);
    for (const item of await this.db.getAll("queue")) if (item.state === "received" && item.day < oldest) await this.remove(item.id);
    const unseen = dayOf(Date.now() - receiptDays * 86_400_000);
    for (const key of (await this.db.getAllKeys("meta", receiptRange)) as string[]) {
      const kept = await recall<StoredReceipt>(this.db, key);
      if (kept && kept.day < unseen) await receiptSeen(this.db, key.slice(receiptKey.length));
    }
  }
}
