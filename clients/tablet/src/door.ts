// The one module that knows how this tablet reaches the service: with its own
// token when it is enrolled, else by the door of the open report form.

export interface Place {
  name: string;
  title: string;
  parent: string;
  level: "organisation" | "site" | "area" | "crew";
}

export interface Card {
  numbers?: { who: string; number: string }[];
  radio?: string;
  place?: string;
  latitude?: number;
  longitude?: number;
}

// Hello is what the tablet keeps of the service for the time out of reach.
export interface Hello {
  time: string;
  keyID: string;
  publicKey: string;
  places: Place[];
  home: string;
  card: Card;
  idleSeconds: number;
  // plans are hashes of pictures, by workplace.
  plans: Record<string, string>;
}

// Mending is one way in which something is stored otherwise than it was told.
const mendings = ["clock", "turn_over", "time", "receipt_code", "place"] as const;
export type Mending = (typeof mendings)[number];

// Answer says what became of something that was sent.
export type Answer =
  | { what: "received"; code: string; mended: Mending[] }
  | { what: "later" } // out of reach, busy, full: the same bytes again
  | { what: "signed out" }
  | { what: "refused" }; // it will not be taken as it is: keep it, tell somebody

const base = "/tablet/api/";
let token = "";

// useToken makes this tablet call by its own name.
export function useToken(t: string): void {
  token = t;
}

async function ask(path: string, body?: Uint8Array, type?: string, patience = 90_000, by = token): Promise<Response> {
  return fetch(base + path, {
    method: body ? "POST" : "GET",
    ...(body ? { body: body as Uint8Array<ArrayBuffer> } : {}),
    headers: { ...(type ? { "Content-Type": type } : {}), ...(by ? { Authorization: "Bearer " + by } : {}) },
    cache: "no-store",
    credentials: "omit",
    signal: AbortSignal.timeout(patience),
  });
}

export async function hello(): Promise<Hello | "signed out" | undefined> {
  try {
    const r = await ask("hello");
    if (r.status === 401 || r.status === 403) return "signed out";
    return r.ok ? ((await r.json()) as Hello) : undefined;
  } catch {
    return undefined;
  }
}

// deliver sends sealed bytes and waits for the answer. Without one it is not known
// whether they were stored: they go again, and are stored once.
export async function deliver(request: Uint8Array): Promise<Answer> {
  try {
    const r = await ask("sealed", request, "application/x-protobuf");
    if (r.ok) {
      const b = (await r.json()) as { shortCode?: string; mendings?: string[] };
      return { what: "received", code: b.shortCode ?? "", mended: mendings.filter((m) => b.mendings?.includes(m)) };
    }
    switch (r.status) {
      case 401:
        return { what: "signed out" };
      case 400:
      case 403:
      case 404:
      case 409:
      case 413:
      case 422:
        return { what: "refused" };
    }
    return { what: "later" };
  } catch {
    return { what: "later" };
  }
}

// say posts JSON and returns the answer; the status when it is refused, nothing
// when the service is out of reach.
async function say<T>(path: string, body: unknown, patience?: number, by?: string): Promise<T | number | undefined> {
  try {
    const r = await ask(path, new TextEncoder().encode(JSON.stringify(body)), "application/json", patience, by);
    return r.ok ? ((await r.json()) as T) : r.status;
  } catch {
    return undefined;
  }
}

// Heard is what came of a report.
export interface Heard {
  shortCode: string;
  summary: string;
  aboutName: string;
  steps: { words: string; date: string }[];
  messages: { name: string; from: "house" | "teller"; question: boolean; notFixed: boolean; text: string; date: string }[];
}

export const hear = (code: string) => say<Heard>("receipt", { code });

// answer sends words of the teller; the id makes a repetition the same message.
export const answer = (a: { code: string; text: string; notFixed: boolean; answers: string; requestID: string }) => say<object>("answer", a);

// Own is one report that whoever has the turn told under their own name.
export interface Own {
  report: string;
  shortCode: string;
  date: string;
  summary: string;
  questions: number;
  unread: number;
}

// In somebody's turn: the secret of the turn says whose reports they are.
export const own = (secret: string, after: string) => say<{ reports: Own[]; next: string }>("mine", { after }, soon, secret);
export const ownHeard = (secret: string, report: string) => say<Heard>("mine/heard", { report }, soon, secret);
export const ownAnswer = (secret: string, a: { report: string; text: string; notFixed: boolean; answers: string; requestID: string }) =>
  say<object>("mine/answer", a, soon, secret);

export interface Enrolled {
  secret: string;
  name: string;
  home: string;
}

export const enrol = (code: string) => say<Enrolled>("enrol", { code });

// Worker is somebody who agreed to be picked on this tablet.
export interface Worker {
  principal: string;
  name: string;
}

// Whoever stands there waits for these, so they give up soon and the name is
// typed instead.
const soon = 15_000;

// workers asks who may be picked; the names are in memory only.
export async function workers(): Promise<Worker[] | undefined> {
  try {
    const r = await ask("workers", undefined, undefined, soon);
    return r.ok ? ((await r.json()) as Worker[]) : undefined;
  } catch {
    return undefined;
  }
}

// Turn is leave to file by name for a few minutes.
export interface Turn {
  secret: string;
  minutes: number;
}

export const turn = (principal: string, pin: string) => say<Turn>("turn", { principal, pin }, soon);

// plan fetches the picture of a place.
export async function plan(workplace: string): Promise<Blob | undefined> {
  try {
    const r = await ask("plan/" + workplace.slice("workplaces/".length));
    return r.ok ? await r.blob() : undefined;
  } catch {
    return undefined;
  }
}
