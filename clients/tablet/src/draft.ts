// A report as it is being written, and what is made of it when it is sent.
import type { FileReportRequest, Harm, Report, SealedContent } from "./gen/contract.ts";
import { randomID, timedID } from "./ids.ts";
import { english, type Key } from "./words.ts";

export type Kind = "near_miss" | "hazard" | "injury" | "spill" | "damage" | "not_sure";
export type Mode = "named" | "few" | "nobody";
export type Worst = "minor" | "serious" | "life" | "fatal" | "not_sure";
export type Water = "no" | "drain" | "water" | "not_sure";
export type Help = "none" | "first" | "doctor" | "hospital" | "not_sure";
export type When = { how: "now" | "today" | "yesterday"; at: number } | { how: "day"; day: string } | { how: "not_sure" };

export interface FileMark {
  id: string;
  kind: "photo" | "sound";
  type: string;
  seconds: number;
}

export interface Draft {
  v: 1;
  id: string;
  step: string;
  language: string;
  kind?: Kind | undefined;
  workplace?: string | undefined;
  when?: When | undefined;
  mode?: Mode | undefined;
  name: string;
  // pin says that whoever writes gave their PIN for this name.
  pin?: boolean | undefined;
  contact: string;
  mate: boolean;
  words: string;
  body: string[];
  hurt: string;
  help?: Help | undefined;
  substance: string;
  litres: string;
  area: string;
  water?: Water | undefined;
  steps: string;
  damage: string;
  worst?: Worst | undefined;
  safe?: "no" | "yes" | "not_sure" | undefined;
  done: string;
  spot: string;
  files: FileMark[];
  // seconds and skipped test the form; see timing.ts.
  seconds: Record<string, number>;
  skipped: string[];
}

export function newDraft(language: string): Draft {
  return {
    v: 1, id: randomID(), step: "kind", language, name: "", contact: "", mate: false, words: "", body: [], hurt: "", substance: "",
    litres: "", area: "", steps: "", damage: "", done: "", spot: "", files: [], seconds: {}, skipped: [],
  };
}

// enough says whether the four answers are there that a report needs.
export function enough(d: Draft): boolean {
  return !!d.kind && !!d.workplace && !!d.mode && (d.words.trim() !== "" || d.files.some((f) => f.kind === "sound"));
}

const kinds: Record<Kind, Report["kind"]> = {
  near_miss: "REPORT_KIND_NEAR_MISS", hazard: "REPORT_KIND_HAZARD", injury: "REPORT_KIND_INJURY_OR_ILLNESS",
  spill: "REPORT_KIND_RELEASE", damage: "REPORT_KIND_DAMAGE", not_sure: "REPORT_KIND_NOT_SURE",
};
const modes: Record<Mode, Report["tellerMode"]> = {
  named: "TELLER_MODE_NAMED", few: "TELLER_MODE_CONFIDENTIAL", nobody: "TELLER_MODE_ANONYMOUS",
};
const worsts: Record<Exclude<Worst, "not_sure">, Report["potential"]> = {
  minor: "POTENTIAL_SEVERITY_MINOR", serious: "POTENTIAL_SEVERITY_SERIOUS", life: "POTENTIAL_SEVERITY_LIFE_CHANGING", fatal: "POTENTIAL_SEVERITY_FATAL",
};
const helps: Record<Exclude<Help, "not_sure">, Harm["treatment"]> = {
  none: "TREATMENT_NONE", first: "TREATMENT_FIRST_AID", doctor: "TREATMENT_MEDICAL", hospital: "TREATMENT_IN_PATIENT",
};
const waters = { no: "WATER_REACHED_NO", drain: "WATER_REACHED_DRAIN", water: "WATER_REACHED_WATER" } as const;

const notKnown = "ANSWER_STATE_NOT_KNOWN" as const;

// contents makes what is sealed: the report first, then its photos and sounds.
// now is the clock of this tablet; receipt the code to hear back by, which also
// lets photos in that come days later; turn the token of whoever gave their PIN.
export function contents(d: Draft, now: number, receipt = "", turn = ""): { report: SealedContent; files: { mark: FileMark; content: SealedContent }[] } {
  const hidden = d.mode === "nobody";
  const mint = () => (hidden ? randomID() : timedID(now));
  const answers: NonNullable<Report["answers"]> = {};
  const spoken = d.files.some((f) => f.kind === "sound");
  const report: Report = {
    name: "reports/" + mint(),
    kind: kinds[d.kind!],
    workplace: d.workplace!,
    narrative: d.words.trim() || (spoken ? english("words_spoken") : ""),
    languageCode: d.language === "en" ? "en-AU" : d.language,
    tellerMode: modes[d.mode!],
    spot: d.spot.trim(),
    doneRightAway: madeSafe(d),
    answers,
  };
  const countedBack = when(d, report, answers, hidden);
  if (d.worst === "not_sure") answers["potential"] = notKnown;
  else if (d.worst) report.potential = worsts[d.worst];
  if (!hidden) report.madeTime = new Date(now).toISOString();
  if (d.mate) report.typedByAnother = true;
  if (d.kind === "injury" || d.body.length > 0 || d.hurt.trim() !== "") report.harms = [harm(d)];
  if (d.kind === "spill" || d.substance.trim() !== "") report.release = release(d);
  if (d.damage.trim() !== "") report.damage = d.damage.trim();

  const file: FileReportRequest = { report, requestId: mint() };
  if (receipt) file.receiptCode = receipt;
  if (!hidden && (d.name.trim() !== "" || d.contact.trim() !== "")) file.teller = { displayName: d.name.trim(), contact: d.contact.trim() };
  return {
    report: { file, countedBack, ...(turn && !hidden ? { turn } : {}) },
    files: d.files.map((mark) => ({
      mark,
      content: { attachment: { report: report.name!, attachmentId: mint(), requestId: mint(), caption: caption(mark), ...(receipt ? { receiptCode: receipt } : {}) } },
    })),
  };
}

function caption(f: FileMark): string {
  return f.kind === "sound" ? "Told by voice" : "Photo taken by the teller";
}

// when fills in the time of the event. An anonymous report keeps no time of day.
function when(d: Draft, r: Report, answers: NonNullable<Report["answers"]>, hidden: boolean): boolean {
  const w = d.when;
  if (!w) return false;
  if (w.how === "not_sure") {
    answers["occur_time"] = notKnown;
    return false;
  }
  if (w.how === "now" && !hidden) {
    r.occurTime = new Date(w.at).toISOString();
    r.occurPrecision = "TIME_PRECISION_ABOUT";
    return true;
  }
  r.occurTime = (w.how === "day" ? midnight(w.day) : startOfDay(w.at, w.how === "yesterday" ? 1 : 0)).toISOString();
  r.occurPrecision = "TIME_PRECISION_DAY";
  return w.how !== "day";
}

export function midnight(day: string): Date {
  const [y, m, d] = day.split("-").map(Number);
  return new Date(y!, m! - 1, d!);
}

function startOfDay(at: number, before: number): Date {
  const d = new Date(at);
  return new Date(d.getFullYear(), d.getMonth(), d.getDate() - before);
}

function madeSafe(d: Draft): string {
  const stands = d.safe === "yes" ? "Still like that when told." : d.safe === "no" ? "Made safe." : d.safe === "not_sure" ? "The teller was not sure that it is safe." : "";
  return [stands, d.done.trim()].filter(Boolean).join(" ");
}

function harm(d: Draft): Harm {
  const h: Harm = { answers: {} };
  const where = d.body.map((b) => bodyWords(b, english)).join(", ");
  const words = [where && "Where: " + where + ".", d.hurt.trim()].filter(Boolean).join(" ");
  if (words) h.description = words;
  if (d.help === "not_sure") h.answers!["treatment"] = notKnown;
  else if (d.help) h.treatment = helps[d.help];
  return h;
}

function release(d: Draft) {
  const r: NonNullable<Report["release"]> = { substance: d.substance.trim(), stepsTaken: d.steps.trim(), answers: {} };
  const litres = number(d.litres);
  if (litres !== undefined) {
    r.quantity = litres;
    r.quantityUnit = "L";
  }
  const area = number(d.area);
  if (area !== undefined) r.areaSquareMetres = area;
  if (d.water === "not_sure") r.answers!["water_reached"] = notKnown;
  else if (d.water) r.waterReached = waters[d.water];
  return r;
}

// number reads a number as people write it; undefined for nothing, NaN for what
// is no number.
export function number(s: string): number | undefined {
  const plain = s.normalize("NFKC").trim().replace(",", ".");
  if (plain === "") return undefined;
  return /^\d{1,9}(\.\d{1,6})?$/.test(plain) ? Number(plain) : NaN;
}

// bodyWords puts a place of the body, such as "left_hand", into words.
export function bodyWords(place: string, say: (k: Key) => string): string {
  const m = /^(left|right)_(.+)$/.exec(place);
  return (m ? say(("body_" + m[1]) as Key) + " " + say(("body_" + m[2]) as Key) : say(("body_" + place) as Key)).toLowerCase();
}
