// Every word on the screen comes from a catalogue. English is built in; another
// language is a file that the service worker keeps, so that it is there without
// a network.
import en from "./words/en.json";

export type Key = keyof typeof en;

// languages are what the app speaks, by BCP 47 tag, in their own words. All but
// English were translated by machine and say so on the screen.
export const languages = [
  { tag: "en", name: "English", dir: "ltr", machine: false },
  { tag: "vi", name: "Tiếng Việt", dir: "ltr", machine: true },
  { tag: "zh-Hans", name: "简体中文", dir: "ltr", machine: true },
  { tag: "ar", name: "العربية", dir: "rtl", machine: true },
  { tag: "pa", name: "ਪੰਜਾਬੀ", dir: "ltr", machine: true },
  { tag: "fil", name: "Filipino", dir: "ltr", machine: true },
] as const;

export type Language = (typeof languages)[number];

let spoken: Language = languages[0];
let catalogue: Partial<Record<Key, string>> = en;

export const language = () => spoken;

// locale is how days are written here: in English where this browser has no names
// of months in the language, and would write "2026 M11 29".
export function locale(): string {
  const named = new Date(0).toLocaleDateString(spoken.tag, { month: "long" });
  return spoken.tag === "en" || /^M\d/.test(named) ? "en-AU" : spoken.tag;
}

// t returns the words for a key with their blanks filled in. A word that a
// catalogue lacks is shown in English rather than not at all.
export function t(key: Key, blanks: Record<string, string | number> = {}): string {
  return fill(catalogue[key] ?? en[key], blanks);
}

// english returns the words for whoever reads the report.
export function english(key: Key, blanks: Record<string, string | number> = {}): string {
  return en[key].replace(/\{(\w+)\}/g, (whole, name: string) => String(blanks[name] ?? whole));
}

function fill(words: string, blanks: Record<string, string | number>): string {
  return words.replace(/\{(\w+)\}/g, (whole, name: string) => (name in blanks ? apart(String(blanks[name])) : whole));
}

// apart keeps a code, a number or a name in its own order between words that run
// from right to left: without it "482 913" is read there as "913 482".
export function apart(s: string): string {
  return spoken.dir === "rtl" ? "\u2068" + s + "\u2069" : s;
}

// speak changes the language. When the catalogue cannot be had, the app stays
// with what it speaks.
export async function speak(tag: string): Promise<boolean> {
  const wanted = languages.find((l) => l.tag === tag);
  if (!wanted) return false;
  if (tag === "en") catalogue = en;
  else {
    try {
      const r = await fetch(`/tablet/words/${tag}.json`);
      if (!r.ok) return false;
      catalogue = (await r.json()) as Record<Key, string>;
    } catch {
      return false;
    }
  }
  spoken = wanted;
  document.documentElement.lang = wanted.tag;
  document.documentElement.dir = wanted.dir;
  return true;
}
