// Why something could not be kept, in the reader's words: what the browser says
// of it is English and for programmers.
import { t } from "./words.ts";

// why says what a reader can do something about, and else only that it was so.
export function why(e: unknown): string {
  return t(e instanceof DOMException && e.name === "QuotaExceededError" ? "why_full" : "why_other");
}
