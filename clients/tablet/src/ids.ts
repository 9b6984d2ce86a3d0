// Ids are minted on the device, so that whatever is sent twice is the same
// thing. A version 7 id starts with the time; an anonymous report must not
// tell its minute, so it gets version 4, which is random all through.

const hex = (b: Uint8Array) => Array.from(b, (x) => x.toString(16).padStart(2, "0")).join("");

function shaped(b: Uint8Array, version: number): string {
  b[6] = (b[6]! & 0x0f) | (version << 4);
  b[8] = (b[8]! & 0x3f) | 0x80;
  const h = hex(b);
  return `${h.slice(0, 8)}-${h.slice(8, 12)}-${h.slice(12, 16)}-${h.slice(16, 20)}-${h.slice(20)}`;
}

export function randomID(): string {
  return shaped(crypto.getRandomValues(new Uint8Array(16)), 4);
}

export function timedID(now: number): string {
  const b = crypto.getRandomValues(new Uint8Array(16));
  for (let i = 5, ms = Math.max(0, now); i >= 0; i--, ms = Math.floor(ms / 256)) b[i] = ms % 256;
  return shaped(b, 7);
}

// digits returns n random decimal digits, each as likely as the other.
export function digits(n: number): string {
  let out = "";
  while (out.length < n) {
    for (const b of crypto.getRandomValues(new Uint8Array(2 * n))) if (b < 250 && out.length < n) out += b % 10;
  }
  return out;
}
