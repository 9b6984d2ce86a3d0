// Drafts are kept under a key that comes from the writer's code and lives in
// memory only. It keeps the next person out, also one who looks into the
// browser's storage; it does not keep out a laboratory that tries all codes
// for days.
import { own } from "./seal.ts";

// Rounds of PBKDF2 with SHA-256; 600,000 is what OWASP's Password Storage Cheat
// Sheet asks for (2023). The number is kept with each draft, so that it can
// grow.
export const rounds = 600_000;

export interface Locked {
  iv: Uint8Array;
  data: Uint8Array;
}

export function newSalt(): Uint8Array {
  return crypto.getRandomValues(new Uint8Array(16));
}

export async function keyFor(code: string, salt: Uint8Array, iterations: number): Promise<CryptoKey> {
  const raw = await crypto.subtle.importKey("raw", new TextEncoder().encode(plainCode(code)), "PBKDF2", false, ["deriveKey"]);
  return crypto.subtle.deriveKey({ name: "PBKDF2", hash: "SHA-256", salt: own(salt), iterations }, raw, { name: "AES-GCM", length: 256 }, false, ["encrypt", "decrypt"]);
}

export async function lock(key: CryptoKey, open: Uint8Array): Promise<Locked> {
  const iv = crypto.getRandomValues(new Uint8Array(12));
  return { iv, data: new Uint8Array(await crypto.subtle.encrypt({ name: "AES-GCM", iv }, key, own(open))) };
}

// unlock returns undefined when the key does not fit.
export async function unlock(key: CryptoKey, l: Locked): Promise<Uint8Array | undefined> {
  try {
    return new Uint8Array(await crypto.subtle.decrypt({ name: "AES-GCM", iv: own(l.iv) }, key, own(l.data)));
  } catch {
    return undefined;
  }
}

// plainCode takes out what people put between digits, and reads the digits of
// other scripts.
export function plainCode(code: string): string {
  return code.normalize("NFKC").replace(/\p{Nd}/gu, (d) => String(digitValue(d))).replace(/[\s-]/g, "");
}

function digitValue(d: string): number {
  // Decimal digits of every script lie in runs of ten that start at a zero.
  let n = d.codePointAt(0)!;
  let value = 0;
  while (value < 10 && /\p{Nd}/u.test(String.fromCodePoint(n - 1)) && value < 9) {
    n--;
    value++;
  }
  return value;
}

// shown breaks a code into threes, to be read out.
export function shown(code: string): string {
  return code.replace(/(.{3})(?=.)/g, "$1 ");
}
