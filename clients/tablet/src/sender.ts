// The one loop that sends what is sealed: in the page, and in the worker when a
// browser wakes that because there is a network again (see sw.ts).
import { forgetReceipts } from "./again.ts";
import { deliver, hello, plan, type Hello, type Mending } from "./door.ts";
import { dayOf, recall, remember, strict, type Item, type Store } from "./store.ts";
import { request } from "./wire.ts";

// Plan is the picture of a place.
export interface Plan {
  sum: string;
  picture: Blob;
}

// keptDays is how long a received report's number and code stay to be looked up.
const keptDays = 30;

// channel is how the worker tells an open page that something went out.
const channel = "fairlead-sent";

// Sender sends what is waiting, one after the other, and never gives up.
export class Sender {
  service: Hello | undefined;
  signedOut = false;
  // aheadSeconds is how far this clock is ahead; undefined until it is known.
  aheadSeconds: number | undefined;
  // said is what was mended in what went out, by report: in memory only, since it
  // tells something of what is sealed.
  readonly said = new Map<string, Mending[]>();
  onChange: () => void = () => {};
  private timer = 0;
  private waitSeconds = 0;
  private running: Promise<void> | undefined;

  constructor(private db: Store) {}

  async begin(): Promise<void> {
    this.service = await recall<Hello>(this.db, "service");
    this.signedOut = (await recall<boolean>(this.db, "signedOut")) ?? false;
    // What was last known of the clock: the warning is there without a network.
    this.aheadSeconds = await recall<number>(this.db, "ahead");
    // Tablets lie about being online, so the event only makes it try sooner.
    addEventListener("online", () => this.soon());
    document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && this.soon());
    new BroadcastChannel(channel).onmessage = (e: MessageEvent<[string, Mending[]][]>) => {
      for (const [id, mended] of e.data) this.said.set(id, mended);
      this.onChange();
    };
    this.soon();
  }

  // once goes through the queue and says whether all went; an open page hears of
  // it. For the worker.
  async once(): Promise<boolean> {
    const done = await navigator.locks.request("fairlead-send", () => this.round());
    const to = new BroadcastChannel(channel);
    to.postMessage([...this.said]);
    to.close();
    return done;
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
    await remember(this.db, "ahead", this.aheadSeconds);
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
        if (answer.mended.length > 0) this.said.set(item.id, answer.mended);
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
    await forgetReceipts(this.db);
  }
}
