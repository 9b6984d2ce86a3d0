// The order of the questions. Every kind of thing takes the same number of
// screens: one of them is about the kind.
import type { App, Screen } from "./app.ts";
import type { Draft } from "./draft.ts";

export type Step = (app: App) => Screen;

// path is the way of one draft.
export function path(d: Draft): string[] {
  const about = { injury: "hurt", spill: "spill", damage: "damage", near_miss: "worst", hazard: "worst", not_sure: "worst" }[d.kind ?? "not_sure"];
  return ["kind", "place", "when", "who", ...(d.mode && d.mode !== "nobody" ? ["name"] : []), "words", about, "safe", "look"];
}

export class Flow {
  constructor(
    private app: App,
    private steps: Record<string, Step>,
  ) {}

  // go shows a step and keeps where the writer is.
  go(step: string): void {
    const s = this.steps[step] ?? this.steps["look"]!;
    this.app.draft.step = step;
    void this.app.pad!.keep();
    this.app.show(s(this.app));
  }

  // on goes to the next step; after a single change, back to the look.
  on(): void {
    if (this.app.returning) return this.look();
    const p = path(this.app.draft);
    this.go(p[p.indexOf(this.app.draft.step) + 1] ?? "look");
  }

  // back goes one step back; from the first, home: the draft is kept.
  back(): void {
    if (this.app.returning) return this.look();
    const p = path(this.app.draft);
    const at = p.indexOf(this.app.draft.step);
    if (at <= 0) void this.app.putAway();
    else this.go(p[at - 1]!);
  }

  // change lets the writer change one answer and come back.
  change(step: string): void {
    this.app.returning = true;
    this.go(step);
  }

  private look(): void {
    this.app.returning = false;
    this.go("look");
  }

  // at is where a step is on the way, for the staff.
  at(step: string): { n: number; of: number } | undefined {
    const p = path(this.app.draft);
    const n = p.indexOf(step);
    return n < 0 ? undefined : { n: n + 1, of: p.length };
  }
}
