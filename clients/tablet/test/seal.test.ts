// Sealing against test vectors. The same file is opened from the other side by
// services/envelope.TestVectors, with Go's crypto/hpke.
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { test } from "node:test";
import { bytes, info, seal } from "../src/seal.ts";
import { content, request } from "../src/wire.ts";

declare const TESTS: string;
const hex = (b: Uint8Array) => Buffer.from(b).toString("hex");
const raw = (h: string) => new Uint8Array(Buffer.from(h, "hex"));

interface Case {
  skEm: string;
  publicKey: string;
  info: string;
  enc: string;
  ciphertext: string;
  plaintext: string;
}
const cases = JSON.parse(readFileSync(TESTS + "/../../../services/envelope/testdata/sealed.json", "utf8")) as Record<string, Case>;

async function ephemeral(c: Case): Promise<CryptoKeyPair> {
  const point = raw(c.enc);
  const url = (b: Uint8Array) => Buffer.from(b).toString("base64url");
  const jwk = { kty: "EC", crv: "P-256", x: url(point.slice(1, 33)), y: url(point.slice(33)) };
  const curve = { name: "ECDH", namedCurve: "P-256" };
  return {
    publicKey: await crypto.subtle.importKey("jwk", jwk, curve, true, []),
    privateKey: await crypto.subtle.importKey("jwk", { ...jwk, d: url(raw(c.skEm)) }, curve, false, ["deriveBits"]),
  };
}

for (const [name, c] of Object.entries(cases)) {
  test(`seal: ${name}`, async () => {
    const sealed = await seal(raw(c.publicKey), raw(c.plaintext), raw(c.info), await ephemeral(c));
    assert.equal(hex(sealed.encapsulated), c.enc);
    assert.equal(hex(sealed.ciphertext), c.ciphertext);
  });
}

test("seal: what is sealed twice differs, and info is ours", async () => {
  const c = Object.values(cases)[0]!;
  const a = await seal(raw(c.publicKey), bytes("words"));
  const b = await seal(raw(c.publicKey), bytes("words"));
  assert.notEqual(hex(a.ciphertext), hex(b.ciphertext));
  assert.equal(info, "fairlead.v1.SealedContent");
});

test("content: its length tells little, and it can be taken apart", () => {
  const file = new Uint8Array([1, 2, 3]);
  const c = content({ file: { requestId: "x" } }, file);
  const n = new DataView(c.buffer).getUint32(0);
  assert.equal(n % 512, 0);
  assert.deepEqual(JSON.parse(new TextDecoder().decode(c.slice(4, 4 + n))), { file: { requestId: "x" } });
  assert.deepEqual([...c.slice(4 + n)], [1, 2, 3]);
});

test("request: protobuf by hand, also below zero", () => {
  const r = request({ keyID: "0123456789abcdef", encapsulated: new Uint8Array([9]), ciphertext: new Uint8Array(200), aheadSeconds: -2 });
  assert.equal(hex(r.slice(0, 23)), "0a10" + hex(bytes("0123456789abcdef")) + "120109" + "1ac8".slice(0, 4));
  assert.equal(hex(r.slice(-11)), "20feffffffffffffffff01");
});
