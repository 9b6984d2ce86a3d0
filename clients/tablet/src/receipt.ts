// The receipt code: drawn here, so that it can be shown before there is any
// network, and sent along; the service keeps its hash only. Whoever holds it
// hears what came of the report, without a name.
const letters = "0123456789ABCDEFGHJKMNPQRSTVWXYZ";
const drawn = 16;

// newCode draws sixteen letters (80 bits) and adds the one that checks them, as
// services/receiptcode reads them.
export function newCode(): string {
  for (;;) {
    const v = crypto.getRandomValues(new Uint8Array(drawn)).map((b) => b & 31);
    if (strong(v)) return [...v, check(v)].map((x) => letters[x]).join("");
  }
}

// strong refuses what the service would: codes that look made up.
function strong(v: Uint8Array): boolean {
  if (new Set(v).size < 8 || v.slice(0, 8).join() === v.slice(8).join()) return false;
  for (let i = 0, row = 1, step = 99; i + 1 < v.length; i++) {
    const d = v[i + 1]! - v[i]!;
    if (d !== step || Math.abs(d) > 1) {
      row = 1;
      step = d;
    }
    if (Math.abs(d) <= 1) row++;
    if (row >= 5) return false;
  }
  return true;
}

// readCode reads a code as people write it down; undefined when it has a slip.
export function readCode(written: string): string | undefined {
  const code = written.normalize("NFKC").toUpperCase().replace(/[\s-]/g, "").replace(/O/g, "0").replace(/[IL]/g, "1");
  const v = [...code].map((c) => letters.indexOf(c));
  if (v.length !== drawn + 1 || v.includes(-1) || check(v.slice(0, drawn)) !== v[drawn]) return undefined;
  return code;
}

// spoken breaks a code up, to be written down and read out.
export function spoken(code: string): string {
  return code.length === drawn + 1 ? `${code.slice(0, 4)}-${code.slice(4, 8)}-${code.slice(8, 12)}-${code.slice(12)}` : code;
}

// check is a weighted sum over the field of 32 elements; see
// services/receiptcode.
function check(values: ArrayLike<number>): number {
  let sum = 0;
  let weight = 1;
  for (let i = 0; i < values.length; i++) {
    weight = times(weight, 2);
    sum ^= times(weight, values[i]!);
  }
  return sum;
}

// times multiplies in the field of 32 elements, modulo x^5+x^2+1.
function times(a: number, b: number): number {
  let product = 0;
  for (; b > 0; b >>= 1) {
    if (b & 1) product ^= a;
    a <<= 1;
    if (a & 32) a ^= 37;
  }
  return product;
}
