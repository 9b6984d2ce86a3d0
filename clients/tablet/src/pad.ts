// The pad holds the draft that is being written, and keeps it: every change is
// locked with the writer's key and written before the screen says so.
import { newDraft, type Draft, type FileMark } from "./draft.ts";
import { digits, randomID } from "./ids.ts";
import { keyFor, lock, type Locked, newSalt, plainCode, rounds, unlock } from "./lock.ts";
import { own } from "./seal.ts";
import { strict, type Store, type StoredDraft } from "./store.ts";
import { why } from "./why.ts";

// Kept is something under a code.
export interface Kept extends Locked {
  salt: Uint8Array;
  rounds: number;
}

export class Pad {
  // problem says why the last change could not be kept; "" when it was.
  problem = "";
  kept = false;
  onChange: () => void = () => {};
  // ever says that something of it was kept before.
  get ever(): boolean {
    return this.edition > 0;
  }
  private edition = 0;
  private saving: Promise<void> | undefined;
  private again = false;
  private timer = 0;

  private constructor(
    private db: Store,
    public draft: Draft,
    public code: string,
    private salt: Uint8Array,
    private iterations: number,
    private key: Promise<CryptoKey>,
  ) {}

  // fresh starts a draft under a code that is shown from the first screen on, so
  // that a crash loses nothing and nobody has to choose before telling.
  static fresh(db: Store, language: string): Pad {
    const code = digits(6);
    const salt = newSalt();
    const pad = new Pad(db, newDraft(language), code, salt, rounds, keyFor(code, salt, rounds));
    pad.soon();
    return pad;
  }

  // find returns what opens with a code: usually one draft, two when two windows
  // wrote the same one.
  static async find(db: Store, code: string): Promise<Pad[]> {
    const found: Pad[] = [];
    const keys = new Map<string, Promise<CryptoKey>>();
    for (const s of await db.getAll("drafts")) {
      const id = s.salt.join() + s.rounds;
      const key = keys.get(id) ?? keyFor(code, s.salt, s.rounds);
      keys.set(id, key);
      const open = await unlock(await key, s);
      if (!open) continue;
      const draft = { ...newDraft("en"), ...(JSON.parse(new TextDecoder().decode(open)) as Draft) };
      const pad = new Pad(db, draft, plainCode(code), s.salt, s.rounds, key);
      pad.edition = s.edition;
      pad.kept = true;
      found.push(pad);
    }
    return found;
  }

  // soon keeps the draft in a moment; words that follow each other closely are
  // one write, and never is the first of them put off for the next.
  soon(): void {
    this.kept = false;
    this.timer ||= setTimeout(() => void this.keep(), 250) as unknown as number;
    this.onChange();
  }

  // keep writes what there is now and waits for the disk. It never throws: what
  // went wrong is in problem.
  async keep(): Promise<boolean> {
    clearTimeout(this.timer);
    this.timer = 0;
    if (this.saving) {
      this.again = true;
      await this.saving;
      return this.problem === "";
    }
    this.saving = this.write();
    await this.saving;
    return this.problem === "";
  }

  private async write(): Promise<void> {
    do {
      this.again = false;
      try {
        await this.put(await lock(await this.key, new TextEncoder().encode(JSON.stringify(this.draft))));
        this.problem = "";
        this.kept = !this.again && !this.timer;
      } catch (e) {
        this.problem = why(e);
      }
    } while (this.again && this.problem === "");
    this.saving = undefined;
    this.onChange();
  }

  private async put(locked: { iv: Uint8Array; data: Uint8Array }): Promise<void> {
    const tx = this.db.transaction("drafts", "readwrite", strict);
    const there = await tx.store.get(this.draft.id);
    if (this.edition > 0 && there?.edition !== this.edition) {
      // Another window has written or sent this draft since: both are kept.
      this.draft.id = randomID();
      this.edition = 0;
      this.again = true; // the new id belongs inside as well
    }
    const next: StoredDraft = { id: this.draft.id, edition: this.edition + 1, salt: this.salt, rounds: this.iterations, ...locked };
    await Promise.all([tx.store.put(next), tx.done]);
    this.edition = next.edition;
  }

  // locked puts something under the code of this draft.
  async locked(open: Uint8Array): Promise<Kept> {
    return { salt: this.salt, rounds: this.iterations, ...(await lock(await this.key, open)) };
  }

  // attach keeps a photo or a sound with the draft.
  async attach(mark: Omit<FileMark, "id">, blob: Blob): Promise<void> {
    const id = randomID();
    const locked = await lock(await this.key, new Uint8Array(await blob.arrayBuffer()));
    const tx = this.db.transaction("files", "readwrite", strict);
    await Promise.all([tx.store.put({ id, draft: this.draft.id, ...locked }), tx.done]);
    this.draft.files.push({ ...mark, id });
    await this.keep();
  }

  // file opens a photo or a sound; undefined when it cannot be read.
  async file(id: string): Promise<Uint8Array | undefined> {
    const f = await this.db.get("files", id);
    return f && (await unlock(await this.key, f));
  }

  async blob(mark: FileMark): Promise<Blob | undefined> {
    const open = await this.file(mark.id);
    return open && new Blob([own(open)], { type: mark.type });
  }

  async detach(id: string): Promise<void> {
    this.draft.files = this.draft.files.filter((f) => f.id !== id);
    await this.keep();
    const tx = this.db.transaction("files", "readwrite", strict);
    await Promise.all([tx.store.delete(id), tx.done]);
  }

  // recode puts the draft under a code that the writer chose.
  async recode(code: string): Promise<boolean> {
    const salt = newSalt();
    const key = await keyFor(code, salt, rounds);
    const files = new Map<string, Uint8Array>();
    for (const f of this.draft.files) {
      const open = await this.file(f.id);
      if (open) files.set(f.id, open);
    }
    const locked = await lock(key, new TextEncoder().encode(JSON.stringify(this.draft)));
    const relocked = await Promise.all([...files].map(async ([id, open]) => ({ id, draft: this.draft.id, ...(await lock(key, open)) })));
    const next: StoredDraft = { id: this.draft.id, edition: this.edition + 1, salt, rounds, ...locked };
    const tx = this.db.transaction(["drafts", "files"], "readwrite", strict);
    await Promise.all([tx.objectStore("drafts").put(next), ...relocked.map((f) => tx.objectStore("files").put(f)), tx.done]);
    [this.code, this.salt, this.iterations, this.key, this.edition] = [plainCode(code), salt, rounds, Promise.resolve(key), next.edition];
    return this.keep();
  }
}
