// The bytes that go out: FileSealedRequest in protobuf, written by hand, since
// four fields do not need a library. Field numbers as in
// proto/fairlead/v1/sealed.proto.
import { bytes } from "./seal.ts";

export interface Envelope {
  keyID: string;
  encapsulated: Uint8Array;
  ciphertext: Uint8Array;
  // aheadSeconds is how far this clock is ahead of the service's; fixed before
  // the first try, so that a replay is the same request.
  aheadSeconds: number;
}

export function request(e: Envelope): Uint8Array {
  return bytes(
    field(1, bytes(e.keyID)),
    field(2, e.encapsulated),
    field(3, e.ciphertext),
    e.aheadSeconds === 0 ? "" : bytes(new Uint8Array([4 << 3]), varint(BigInt.asUintN(64, BigInt(e.aheadSeconds)))),
  );
}

function field(number: number, value: Uint8Array): Uint8Array {
  return bytes(new Uint8Array([(number << 3) | 2]), varint(BigInt(value.length)), value);
}

function varint(n: bigint): Uint8Array {
  const out: number[] = [];
  for (; n > 0x7fn; n >>= 7n) out.push(Number(n & 0x7fn) | 0x80);
  return new Uint8Array([...out, Number(n)]);
}

// content lays out what is sealed: the length of the JSON, the JSON with blanks
// up to a multiple of 512 so that its length tells little, and the file.
export function content(message: unknown, file?: Uint8Array): Uint8Array {
  const text = bytes(JSON.stringify(message));
  const padded = new Uint8Array(Math.ceil(text.length / 512) * 512).fill(0x20);
  padded.set(text);
  const length = new Uint8Array(4);
  new DataView(length.buffer).setUint32(0, padded.length);
  return bytes(length, padded, file ?? "");
}

export function fromBase64(s: string): Uint8Array {
  return Uint8Array.from(atob(s), (c) => c.charCodeAt(0));
}
