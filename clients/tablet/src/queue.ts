// The queue: what is sealed and on its way. sender.ts sends it.
import { receiptKey, type StoredReceipt } from "./again.ts";
import { contents } from "./draft.ts";
import type { Hello } from "./door.ts";
import { randomID } from "./ids.ts";
import type { Pad } from "./pad.ts";
import { newCode } from "./receipt.ts";
import { bytes, seal } from "./seal.ts";
import { dayOf, strict, type Item, type Store } from "./store.ts";
import { content, fromBase64 } from "./wire.ts";

// enqueue seals the draft of a pad into the queue. In one transaction the sealed
// report and its photos come and the draft goes: a crash leaves the one or the
// other, never both and never neither.
// The receipt code goes to the writer and into the seal, and is not kept open here.
// It is kept under the draft's own code, until the writer has it; see again.ts.
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
