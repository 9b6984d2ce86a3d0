import assert from "node:assert/strict";
import { test } from "node:test";
import { contents, enough, newDraft, number, type Draft } from "../src/draft.ts";
import { path } from "../src/flow.ts";
import { newCode, readCode, spoken } from "../src/receipt.ts";
import { digits, randomID, timedID } from "../src/ids.ts";
import { keyFor, lock, plainCode, shown, unlock } from "../src/lock.ts";

const now = Date.UTC(2026, 10, 25, 3, 0, 0);
const full = (change: Partial<Draft>): Draft => ({ ...newDraft("en"), kind: "near_miss", workplace: "workplaces/northside", mode: "named", words: "It slipped.", ...change });

test("ids: version 4 tells no time, version 7 sorts by it", () => {
  assert.match(randomID(), /^[0-9a-f]{8}-[0-9a-f]{4}-4[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$/);
  assert.match(timedID(now), /^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$/);
  assert.equal(parseInt(timedID(now).replace("-", "").slice(0, 12), 16), now);
  assert.ok(timedID(now) < timedID(now + 1000));
  assert.match(digits(6), /^\d{6}$/);
});

test("draft: four answers are enough", () => {
  assert.ok(enough(full({})));
  assert.ok(enough(full({ words: " ", files: [{ id: "x", kind: "sound", type: "audio/webm", seconds: 3 }] })), "a sound tells it too");
  for (const missing of ["kind", "workplace", "mode"] as const) assert.ok(!enough(full({ [missing]: undefined })), missing);
  assert.ok(!enough(full({ words: "  " })));
});

test("draft: nobody means no name, no minute, no id that tells it", () => {
  const d = full({ mode: "nobody", name: "Wren", contact: "channel 4", when: { how: "now", at: now }, files: [{ id: "x", kind: "photo", type: "image/jpeg", seconds: 0 }] });
  const c = contents(d, now);
  const text = JSON.stringify(c);
  assert.ok(!text.includes("Wren") && !text.includes("channel 4"));
  const r = c.report.file!.report!;
  assert.equal(r.madeTime, undefined);
  assert.equal(r.occurPrecision, "TIME_PRECISION_DAY");
  assert.equal(new Date(r.occurTime!).getHours() + new Date(r.occurTime!).getMinutes(), 0);
  for (const id of [r.name!.slice(8), c.report.file!.requestId!, c.files[0]!.content.attachment!.requestId!, c.files[0]!.content.attachment!.attachmentId!]) assert.equal(id[14], "4");
});

test("draft: not sure, not asked and skipped stay apart", () => {
  const asked = contents(full({ worst: "not_sure", when: { how: "not_sure" } }), now).report.file!.report!;
  assert.deepEqual(asked.answers, { occur_time: "ANSWER_STATE_NOT_KNOWN", potential: "ANSWER_STATE_NOT_KNOWN" });
  const not = contents(full({}), now).report.file!.report!;
  assert.deepEqual(not.answers, {});
  assert.equal(not.potential, undefined);
});

test("draft: a day that was chosen is not counted back from the clock", () => {
  assert.equal(contents(full({ when: { how: "day", day: "2026-11-20" } }), now).report.countedBack, false);
  assert.equal(contents(full({ when: { how: "yesterday", at: now } }), now).report.countedBack, true);
});

test("draft: how long a screen took and what was skipped stays on the tablet", () => {
  const d = full({ seconds: { words: 12345.678 }, skipped: ["worst"], step: "look" });
  const text = JSON.stringify(contents(d, now));
  for (const s of ["12345", "12346", "skipped", "seconds", "worst"]) assert.ok(!text.includes(s), s);
});

test("number: as people write it", () => {
  assert.equal(number("2.5"), 2.5);
  assert.equal(number(" 2,5 "), 2.5);
  assert.equal(number("１２"), 12);
  assert.equal(number(""), undefined);
  for (const bad of ["a lot", "-1", "1e9", "1.2.3", "0x10"]) assert.ok(Number.isNaN(number(bad)), bad);
});

test("lock: opens with the code and with no other", async () => {
  const salt = new Uint8Array(16);
  const key = await keyFor("482 913", salt, 1000);
  const locked = await lock(key, new TextEncoder().encode("the words"));
  assert.equal(new TextDecoder().decode(await unlock(await keyFor("482913", salt, 1000), locked)), "the words");
  assert.equal(await unlock(await keyFor("482914", salt, 1000), locked), undefined);
});

test("code: read in other digits, shown in threes", () => {
  assert.equal(plainCode(" ٤٨٢ ٩١٣"), "482913");
  assert.equal(plainCode("੪੮੨-੯੧੩"), "482913");
  assert.equal(shown("482913"), "482 913");
});

test("path: no kind asks for more taps than another", () => {
  for (const mode of ["named", "few", "nobody"] as const) {
    const lengths = new Set((["near_miss", "hazard", "injury", "spill", "damage", "not_sure"] as const).map((kind) => path(full({ kind, mode })).length));
    assert.equal(lengths.size, 1, mode);
  }
});

test("receipt code: reads what it draws, and notices every slip", () => {
  for (let i = 0; i < 200; i++) {
    const code = newCode();
    assert.equal(readCode(spoken(code).toLowerCase()), code);
    const at = i % 17;
    const other = code[at] === "A" ? "B" : "A";
    assert.equal(readCode(code.slice(0, at) + other + code.slice(at + 1)), undefined);
    if (at < 16 && code[at] !== code[at + 1]) assert.equal(readCode(code.slice(0, at) + code[at + 1] + code[at] + code.slice(at + 2)), undefined);
  }
  // One that services/receiptcode wrote, with the letters people mistake.
  assert.equal(readCode("7KQ2-MX4H"), undefined);
});
