// Sealing: RFC 9180 (HPKE), base mode, one message, with DHKEM(P-256,
// HKDF-SHA256), HKDF-SHA256 and AES-256-GCM, by the browser's own WebCrypto.
// Only the service has the private key: this tablet cannot read what it sealed.

export const info = "fairlead.v1.SealedContent";

const kemSuite = bytes("KEM", new Uint8Array([0x00, 0x10]));
const suite = bytes("HPKE", new Uint8Array([0x00, 0x10, 0x00, 0x01, 0x00, 0x02]));
const none = new Uint8Array();

export interface Sealed {
  encapsulated: Uint8Array;
  ciphertext: Uint8Array;
}

// seal seals plaintext to a public key (an uncompressed point). The ephemeral
// key is a parameter for the test vectors only.
export async function seal(publicKey: Uint8Array, plaintext: Uint8Array, about: Uint8Array | string = info, ephemeral?: CryptoKeyPair): Promise<Sealed> {
  const curve = { name: "ECDH", namedCurve: "P-256" };
  const theirs = await crypto.subtle.importKey("raw", own(publicKey), curve, false, []);
  const ours = ephemeral ?? (await crypto.subtle.generateKey(curve, false, ["deriveBits"]));
  const encapsulated = new Uint8Array(await crypto.subtle.exportKey("raw", ours.publicKey));
  const dh = new Uint8Array(await crypto.subtle.deriveBits({ name: "ECDH", public: theirs }, ours.privateKey, 256));

  const context = bytes(encapsulated, publicKey);
  const eae = await extract(kemSuite, none, "eae_prk", dh);
  const shared = await expand(kemSuite, eae, "shared_secret", context, 32);

  const schedule = bytes(new Uint8Array([0]), await extract(suite, none, "psk_id_hash", none), await extract(suite, none, "info_hash", bytes(about)));
  const secret = await extract(suite, shared, "secret", none);
  const key = await expand(suite, secret, "key", schedule, 32);
  const nonce = await expand(suite, secret, "base_nonce", schedule, 12);

  const aes = await crypto.subtle.importKey("raw", own(key), "AES-GCM", false, ["encrypt"]);
  const ciphertext = new Uint8Array(await crypto.subtle.encrypt({ name: "AES-GCM", iv: own(nonce) }, aes, own(plaintext)));
  return { encapsulated, ciphertext };
}

// bytes puts pieces one after the other; words as UTF-8.
export function bytes(...parts: (Uint8Array | string)[]): Uint8Array {
  const all = parts.map((p) => (typeof p === "string" ? new TextEncoder().encode(p) : p));
  const out = new Uint8Array(all.reduce((n, p) => n + p.length, 0));
  let at = 0;
  for (const p of all) {
    out.set(p, at);
    at += p.length;
  }
  return out;
}

async function mac(key: Uint8Array, data: Uint8Array): Promise<Uint8Array> {
  // HMAC pads a short key with zeros, and WebCrypto refuses an empty one.
  const k = await crypto.subtle.importKey("raw", own(key.length ? key : new Uint8Array(32)), { name: "HMAC", hash: "SHA-256" }, false, ["sign"]);
  return new Uint8Array(await crypto.subtle.sign("HMAC", k, own(data)));
}

function extract(id: Uint8Array, salt: Uint8Array, label: string, ikm: Uint8Array): Promise<Uint8Array> {
  return mac(salt, bytes("HPKE-v1", id, label, ikm));
}

// expand gives at most 32 bytes, which is all that is wanted here: one round of
// HKDF-Expand.
async function expand(id: Uint8Array, prk: Uint8Array, label: string, about: Uint8Array, length: number): Promise<Uint8Array> {
  const labelled = bytes(new Uint8Array([length >> 8, length & 0xff]), "HPKE-v1", id, label, about);
  return (await mac(prk, bytes(labelled, new Uint8Array([1])))).slice(0, length);
}

// own gives WebCrypto bytes that lie in a plain buffer.
export function own(b: Uint8Array): Uint8Array<ArrayBuffer> {
  return b.buffer instanceof ArrayBuffer ? (b as Uint8Array<ArrayBuffer>) : new Uint8Array(b);
}
