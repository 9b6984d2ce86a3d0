// The start of the app: the store, the words, the screens, and the worker that
// keeps the app itself on the tablet.
import { App, wasCleared } from "./app.ts";
import { useToken, type Enrolled } from "./door.ts";
import { Flow, type Step } from "./flow.ts";
import { space } from "./health.ts";
import { watchIdle } from "./idle.ts";
import { card } from "./screens/card.ts";
import { Ending } from "./screens/ending.ts";
import { Questions } from "./screens/questions.ts";
import { Start } from "./screens/start.ts";
import { Telling } from "./screens/telling.ts";
import { Sender } from "./sender.ts";
import { openStore, recall, type Store } from "./store.ts";
import { speak } from "./words.ts";
import { keepApp } from "./worker.ts";

const home = () => location.replace("/tablet/");
const idleSeconds = 60;

async function begin(): Promise<void> {
  // An administrator's picture code opens the app with an enrolment code, which
  // works once and leaves the address before anything else.
  const enrolment = /^#enrol=([\w-]{8,20})$/;
  const given = enrolment.exec(location.hash)?.[1] ?? "";
  if (given) history.replaceState(null, "", location.pathname);
  // A window that cannot keep anything still shows who to ring.
  const db: Store | undefined = await openStore().catch(() => undefined);
  const app: App = new App(document.getElementById("app")!, db, () => card(app), home);
  app.cleared = wasCleared();
  const steps: Record<string, Step> = {};
  const flow = new Flow(app, steps);
  const questions = new Questions(flow);
  const telling = new Telling(flow);
  const ending = new Ending(flow);
  Object.assign(steps, {
    kind: questions.kind, place: (a: App) => questions.place(a), when: questions.when, who: questions.who, worst: questions.worst, safe: questions.safe,
    name: telling.name, words: telling.words, hurt: telling.hurt, spill: telling.spill, damage: telling.damage, spot: telling.spot, done: telling.done,
    look: ending.look,
  });
  if (db) {
    const wanted = await recall<string>(db, "language").catch(() => undefined);
    if (wanted && wanted !== "en") await speak(wanted);
    const enrolled = await recall<Enrolled>(db, "enrolled");
    useToken(enrolled?.secret ?? "");
    app.place = enrolled?.home ?? "";
    app.sender = new Sender(db);
    app.sender.onChange = () => void app.count();
    await app.sender.begin();
    await app.count();
  }
  // What is wrong is known before the screen is drawn, so that nothing moves
  // under a finger.
  app.space = await space();
  const start = new Start(flow, ending.sent);
  const first = () => app.show(start.start(app));
  if (db && given) app.show(await start.about(app, first, given));
  else first();
  // The same with the app open already, unless somebody is writing.
  addEventListener("hashchange", () => {
    if (enrolment.test(location.hash) && !app.pad) location.reload();
    else history.replaceState(null, "", location.pathname);
  });
  watchIdle(app, () => app.sender?.service?.idleSeconds ?? idleSeconds);
  // A closed lid or a flat battery: what is there is written at once.
  addEventListener("pagehide", () => void app.pad?.keep());
  document.addEventListener("visibilitychange", () => document.visibilityState === "hidden" && void app.pad?.keep());
  // A page that the browser had put by may show what was on it.
  addEventListener("pageshow", (e) => e.persisted && home());
  await keepApp(() => !app.pad && document.body.dataset["screen"] === "start", home);
}

void begin();
