// The words: complete in every language, and plain in English.
//
// Two formulas, by their authors' weights: Flesch-Kincaid grade level (Kincaid,
// Fishburne, Rogers, Chissom 1975: 0.39 words a sentence + 11.8 syllables a word
// - 15.59) and the automated readability index (Smith, Senter 1967: 4.71 letters
// a word + 0.5 words a sentence - 21.43); both weights from memory. A reading age
// of 12 is taken as grade 7. Of short labels a formula says nothing: there, long
// words are counted.
import assert from "node:assert/strict";
import { readFileSync, readdirSync } from "node:fs";
import { test } from "node:test";
import en from "../src/words/en.json";
import { languages } from "../src/words.ts";

declare const TESTS: string;
const grade = 7;

function wordsOf(text: string): string[] {
  return text.replace(/\{\w+\}/g, "4").match(/[A-Za-z']+/g) ?? [];
}
function syllables(word: string): number {
  const w = word.toLowerCase().replace(/[^a-z]/g, "");
  if (w.length <= 3) return 1;
  return Math.max(1, (w.replace(/(?:[^laeiouy]es|[^td]ed|[^l]e)$/, (m) => m[0]!).match(/[aeiouy]{1,2}/g) ?? []).length);
}
const sentencesOf = (text: string) => Math.max(1, (text.match(/[.?!:](\s|$)/g) ?? []).length);

function scores(text: string): { kincaid: number; index: number } {
  const w = wordsOf(text);
  const s = sentencesOf(text);
  return {
    kincaid: 0.39 * (w.length / s) + 11.8 * (w.reduce((n, x) => n + syllables(x), 0) / w.length) - 15.59,
    index: 4.71 * (w.join("").length / w.length) + 0.5 * (w.length / s) - 21.43,
  };
}

test("formulas: known sentences", () => {
  // Eleven words of one syllable, 33 letters: worked out by hand.
  const s = scores("The cat sat on the mat and the dog ran off.");
  assert.ok(Math.abs(s.kincaid - (0.39 * 11 + 11.8 - 15.59)) < 1e-9);
  assert.ok(Math.abs(s.index - (4.71 * (32 / 11) + 5.5 - 21.43)) < 1e-9, String(s.index));
  assert.equal(syllables("supervisor"), 4);
  assert.equal(syllables("happened"), 2);
});

test("English: the whole catalogue reads at year 7 or below", () => {
  const all = Object.values(en).filter((v) => wordsOf(v).length > 3).map((v) => (/[.?!]$/.test(v) ? v : v + ".")).join(" ");
  const s = scores(all);
  assert.ok(s.kincaid <= grade && s.index <= grade, JSON.stringify(s));
});

test("English: every sentence reads at year 7 or below", () => {
  const hard = Object.entries(en)
    .filter(([, v]) => wordsOf(v).length >= 7)
    .map(([k, v]) => ({ k, v, ...scores(v) }))
    .filter((s) => s.kincaid > grade || s.index > grade);
  assert.deepEqual(hard, []);
});

test("English: few long words", () => {
  // Words of the trade, which people use themselves.
  const known = new Set(["emergency", "supervisor", "ambulance", "photograph", "adviser"]);
  const long = Object.entries(en).flatMap(([k, v]) => wordsOf(v).filter((w) => syllables(w) > 3 && !known.has(w.toLowerCase())).map((w) => k + ": " + w));
  assert.deepEqual(long, []);
});

test("English: never blames, never clears", () => {
  for (const [k, v] of Object.entries(en)) assert.doesNotMatch(v, /\b(fault|blame|careless|all clear|not notifiable|nothing to worry|you are safe|submit|error|invalid)\b/i, k);
});

for (const l of languages.filter((l) => l.tag !== "en")) {
  test(`${l.name}: complete, with the same blanks, and says that it is by machine`, () => {
    const c = JSON.parse(readFileSync(`${TESTS}/../src/words/${l.tag}.json`, "utf8")) as { note: string; words: Record<string, string> };
    assert.match(c.note, /Machine translated, not yet reviewed/);
    assert.ok(l.machine);
    assert.deepEqual(Object.keys(c.words), Object.keys(en), "the same keys in the same order");
    const blanks = (v: string) => (v.match(/\{\w+\}/g) ?? []).sort().join();
    for (const [k, v] of Object.entries(en)) {
      assert.equal(blanks(c.words[k]!), blanks(v), k);
      assert.ok(c.words[k]!.trim(), k);
      // What is the same as in English was forgotten, but for names and units.
      if (wordsOf(v).length >= 3 && k !== "card_at") assert.notEqual(c.words[k], v, k);
    }
  });
}

// Nothing that is shown is written in the sources: what reads well or is said in
// six languages is what stands in the catalogue. These words are not shown:
const unshown = [
  "no canvas", "no picture", "recording broke off", "something is left to send", // thrown, and caught
  "take over", // from page to worker
  "Told by voice", "Photo taken by the teller", "Still like that when told.", "Made safe.", "The teller was not sure that it is safe.", // for whoever reads the report
  "way on", "way on strong", "part part-", "signed out", // names for style and state
  "Tiếng Việt", // a language in its own words
];

test("English: the catalogue has every word that is shown", () => {
  const walk = (dir: string): string[] => readdirSync(dir, { withFileTypes: true }).flatMap((f) => (f.isDirectory() ? (/^(words|gen)$/.test(f.name) ? [] : walk(dir + "/" + f.name)) : f.name.endsWith(".ts") ? [dir + "/" + f.name] : []));
  const found: string[] = [];
  for (const file of walk(TESTS + "/../src")) {
    const code = readFileSync(file, "utf8").replace(/^\s*\/\/.*$/gm, "").replace(/\/\/ .*$/gm, "");
    for (const m of code.matchAll(/(class: |kind: |property\(|querySelector(?:All)?\(|\$\{[^}]*\}|^import .*)?(["`])((?:(?!\2)[^\n\\])*)\2/gm)) {
      const words = m[3]!.replace(/\$\{[^}]*\}/g, "");
      if (m[1] || unshown.includes(words) || !/[A-Za-z]{2,} [A-Za-z]{2,}/.test(words)) continue;
      found.push(file.slice(file.indexOf("/src/") + 5) + ": " + words);
    }
  }
  assert.deepEqual(found, []);
});

test("English: the page before the app, and its name on a home screen, read as plainly", () => {
  const page = readFileSync(TESTS + "/../public/index.html", "utf8").match(/<noscript>(.*)<\/noscript>/)![1]!.replace(/<[^>]+>/g, "");
  const manifest = JSON.parse(readFileSync(TESTS + "/../public/manifest.webmanifest", "utf8")) as { description?: string };
  for (const text of [page, manifest.description ?? ""].filter((s) => wordsOf(s).length >= 7)) {
    const s = scores(text);
    assert.ok(s.kincaid <= grade && s.index <= grade, text + JSON.stringify(s));
  }
});

test("every word is used", () => {
  const walk = (dir: string): string => readdirSync(dir, { withFileTypes: true }).map((f) => (f.isDirectory() ? (f.name === "words" ? "" : walk(dir + "/" + f.name)) : f.name.endsWith(".ts") ? readFileSync(dir + "/" + f.name, "utf8") : "")).join("\n");
  const source = walk(TESTS + "/../src");
  // Some keys are put together from a start and an answer.
  const starts = [...source.matchAll(/\("([a-z_]+_)" \+/g)].map((m) => m[1]!).concat([...source.matchAll(/"([a-z_]+_)"\)/g)].map((m) => m[1]!));
  const unused = Object.keys(en).filter((k) => !source.includes(`"${k}"`) && !starts.some((s) => k.startsWith(s)));
  assert.deepEqual(unused, []);
});
