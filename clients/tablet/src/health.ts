// What is wrong with this tablet, said before anybody starts to write.
import type { Tally } from "./queue.ts";
import type { Sender } from "./sender.ts";
import { t } from "./words.ts";

// Space is what the browser says of its storage.
export interface Space {
  used: number;
  all: number;
  persisted: boolean;
}

export async function space(): Promise<Space> {
  const s = navigator.storage;
  if (!s) return { used: 0, all: 0, persisted: false };
  const persisted = (await s.persisted?.().catch(() => false)) || (await s.persist?.().catch(() => false)) || false;
  const { usage = 0, quota = 0 } = (await s.estimate?.().catch((): StorageEstimate => ({}))) ?? {};
  return { used: usage, all: quota, persisted };
}

// Less than this and photos may not fit; a private window of Chromium gets less
// than a tenth of the disk, and nothing says so but this.
const low = 100 << 20;

export function warnings(o: { secure: boolean; stores: boolean; space: Space; sender: Sender | undefined; tally: Tally }): string[] {
  if (!o.secure) return [t("warn_secure")];
  if (!o.stores) return [t("warn_private")];
  const out: string[] = [];
  if (o.sender?.signedOut) out.push(t("warn_signed_out"));
  if (o.sender && !o.sender.service) out.push(t("warn_no_key"));
  if (!o.space.persisted) out.push(t("warn_persist"));
  if (o.space.all > 0 && o.space.all - o.space.used < low) out.push(t("warn_space"));
  const ahead = o.sender?.aheadSeconds ?? 0;
  if (Math.abs(ahead) > 600) out.push(t("warn_clock", { n: Math.max(1, Math.round(Math.abs(ahead) / 3600)) }));
  if (o.tally.overADay > 0) out.push(t("warn_waiting", { n: o.tally.overADay }));
  if (o.tally.kept > 0) out.push(t("warn_kept", { n: o.tally.kept }));
  return out;
}
