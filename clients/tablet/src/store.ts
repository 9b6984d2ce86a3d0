// What this tablet keeps, in IndexedDB. Every write waits until it is on disk
// ("strict"). Nothing here can be read without a draft's code or the service's
// private key; what lies open is a number, a day and a state.
import { openDB, type DBSchema, type IDBPDatabase } from "idb";
import type { Locked } from "./lock.ts";

// Draft is a report that is not sent yet.
export interface StoredDraft extends Locked {
  id: string;
  // edition grows with each write: a second window that has the same draft open
  // finds out, and both versions are kept.
  edition: number;
  salt: Uint8Array;
  rounds: number;
}

// StoredFile is a photo or a sound of a draft.
export interface StoredFile extends Locked {
  id: string;
  draft: string;
}

export type State = "saved" | "sent" | "received" | "kept";

// Item is something sealed on its way.
export interface Item {
  id: string;
  state: State;
  // number is what the writer calls it by on this tablet; random, so that the
  // order tells nothing. 0 for a photo or a sound.
  number: number;
  // after is the item that must be received before this one.
  after: string;
  // order keeps the queue in the order of sealing.
  order: number;
  // day is when it was sealed; no closer.
  day: string;
  keyID: string;
  encapsulated?: Uint8Array | undefined;
  ciphertext?: Uint8Array | undefined;
  aheadSeconds?: number | undefined;
  code?: string | undefined;
  // triedDay is when the service last could not take it.
  triedDay?: string | undefined;
}

interface Schema extends DBSchema {
  drafts: { key: string; value: StoredDraft };
  files: { key: string; value: StoredFile; indexes: { draft: string } };
  queue: { key: string; value: Item; indexes: { order: number } };
  // What is known of a report whose code somebody gave, under that code.
  heard: { key: string; value: StoredHeard };
  meta: { key: string; value: unknown };
}

// StoredHeard is locked with the receipt code; its id is a hash of it.
export interface StoredHeard extends Locked {
  id: string;
  salt: Uint8Array;
}

export type Store = IDBPDatabase<Schema>;

// strict waits for the disk, not only for the browser.
export const strict = { durability: "strict" } as const;

export async function openStore(): Promise<Store> {
  return openDB<Schema>("fairlead-tablet", 1, {
    upgrade(db) {
      db.createObjectStore("drafts", { keyPath: "id" });
      db.createObjectStore("files", { keyPath: "id" }).createIndex("draft", "draft");
      db.createObjectStore("queue", { keyPath: "id" }).createIndex("order", "order");
      db.createObjectStore("heard", { keyPath: "id" });
      db.createObjectStore("meta");
    },
    blocking(_was, _is, event) {
      // A newer version of this app waits in another window: make way.
      (event.target as IDBDatabase).close();
    },
  });
}

export async function remember(db: Store, key: string, value: unknown): Promise<void> {
  const tx = db.transaction("meta", "readwrite", strict);
  await Promise.all([tx.store.put(value, key), tx.done]);
}

export async function recall<T>(db: Store, key: string): Promise<T | undefined> {
  return (await db.get("meta", key)) as T | undefined;
}

// dayOf is a day on the wall here.
export function dayOf(t: number): string {
  const d = new Date(t);
  return `${d.getFullYear()}-${String(d.getMonth() + 1).padStart(2, "0")}-${String(d.getDate()).padStart(2, "0")}`;
}
