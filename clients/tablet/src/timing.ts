// How long each screen takes and what is skipped: to test the form, never the
// person. Kept by screen, sorted, without a report, a time or an order, so that
// no visit can be put together again; and only of reports that were sent.
import { recall, remember, type Store } from "./store.ts";

export type Timing = Record<string, { seconds: number[]; skipped: number }>;

const most = 99; // of each screen

export async function note(db: Store, seconds: Record<string, number>, skipped: string[]): Promise<void> {
  const all = (await recall<Timing>(db, "timing")) ?? {};
  for (const [screen, s] of Object.entries(seconds)) {
    const at = (all[screen] ??= { seconds: [], skipped: 0 });
    if (at.seconds.length >= most) at.seconds.splice(Math.floor(Math.random() * most), 1);
    at.seconds.push(Math.round(s));
    at.seconds.sort((a, b) => a - b);
    if (skipped.includes(screen)) at.skipped++;
  }
  await remember(db, "timing", all);
}

export async function timings(db: Store): Promise<{ name: string; median: number; times: number; skipped: number }[]> {
  const all = (await recall<Timing>(db, "timing")) ?? {};
  return Object.entries(all).map(([name, v]) => ({ name, median: v.seconds[v.seconds.length >> 1] ?? 0, times: v.seconds.length, skipped: v.skipped }));
}
