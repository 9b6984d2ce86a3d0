// A receipt code once more, for the writer who lost the screen that showed it: it
// lies under the code of its draft until Done is pressed.
import { keyFor, unlock } from "./lock.ts";
import type { Kept } from "./pad.ts";
import { dayOf, recall, strict, type Item, type Store } from "./store.ts";

// StoredReceipt is a receipt code under the code of its draft.
export interface StoredReceipt extends Kept {
  day: string;
}
export const receiptKey = "receipt:";
const range = () => IDBKeyRange.bound(receiptKey, receiptKey + "\uffff");
const receiptDays = 2;

// shownAgain finds the receipt that its writer may not have seen: the battery went
// before they pressed Done.
export async function shownAgain(db: Store, code: string): Promise<{ item: Item; receipt: string } | undefined> {
  for (const key of (await db.getAllKeys("meta", range())) as string[]) {
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

// forgetReceipts takes out those that nobody came back for.
export async function forgetReceipts(db: Store): Promise<void> {
  const unseen = dayOf(Date.now() - receiptDays * 86_400_000);
  for (const key of (await db.getAllKeys("meta", range())) as string[]) {
    const kept = await recall<StoredReceipt>(db, key);
    if (kept && kept.day < unseen) await receiptSeen(db, key.slice(receiptKey.length));
  }
}
