// Pointing on the plan of a place: squares, lettered and numbered as on a map, in
// two steps. A square is a button, so finger, keyboard and screen reader find the
// same thing, and what is kept can be read out: "Plan square B2-c3".
import type { App } from "../app.ts";
import { el } from "../el.ts";
import type { Plan } from "../sender.ts";
import { recall } from "../store.ts";
import { english, t } from "../words.ts";

const across = 4;

// planWords finds what pointing wrote, for whoever points again.
export const planWords = /\s*Plan square [A-D][1-4](-[a-d][1-4])?( \(\d+ % across, \d+ % down\))?/;

// planOf finds the plan of a place, or of the place that it belongs to.
export async function planOf(app: App, workplace: string | undefined): Promise<Blob | undefined> {
  const places = app.sender?.service?.places ?? [];
  for (let name = workplace, hops = 0; name && hops < 16; name = places.find((p) => p.name === name)?.parent, hops++) {
    const plan = app.db && (await recall<Plan>(app.db, "plan:" + name));
    if (plan) return plan.picture;
  }
  return undefined;
}

// planMap makes the map when the picture is there: its height is known then, and
// no square moves under a finger.
export async function planMap(picture: Blob, pointed: (words: string) => void): Promise<HTMLElement> {
  const url = URL.createObjectURL(picture);
  const image = el("img", { src: url, alt: "", class: "plan-picture" });
  await image.decode().catch(() => {});
  URL.revokeObjectURL(url);
  const squares = el("div", { class: "squares", role: "group", "aria-label": t("plan_point") });
  const window_ = el("div", { class: "plan" }, image, squares);
  if (image.naturalHeight > 0) window_.style.setProperty("aspect-ratio", `${image.naturalWidth} / ${image.naturalHeight}`);
  const said = el("p", { class: "said", role: "status", id: "square" });
  const whole = el("button", { type: "button", class: "small", id: "plan-whole", hidden: true, click: () => draw() }, t("plan_whole"));

  const tell = (name: string, x: number, y: number) => {
    said.textContent = t("plan_square", { s: name });
    pointed(`${english("plan_square", { s: name })} (${Math.round(x * 100)} % across, ${Math.round(y * 100)} % down)`);
  };
  // draw shows the whole plan, or one square of it four times as large.
  const draw = (inside?: { name: string; x: number; y: number }) => {
    const zoom = inside ? across : 1;
    for (const side of ["width", "height"]) image.style.setProperty(side, `${zoom * 100}%`);
    image.style.setProperty("transform", inside ? `translate(${(-inside.x * 100) / across}%, ${(-inside.y * 100) / across}%)` : "none");
    whole.hidden = !inside;
    squares.replaceChildren(...Array.from({ length: across * across }, (_, i) => {
      const [x, y] = [i % across, Math.floor(i / across)];
      const name = inside ? `${inside.name}-${"abcd"[x]}${y + 1}` : `${"ABCD"[x]}${y + 1}`;
      return el("button", {
        type: "button", class: "square", id: "square-" + name, "aria-label": t("plan_square", { s: name }),
        click: (e) => {
          if (inside) {
            for (const b of squares.children) b.setAttribute("aria-pressed", String(b === e.currentTarget));
            tell(name, (inside.x + (x + 0.5) / across) / across, (inside.y + (y + 0.5) / across) / across);
            return;
          }
          tell(name, (x + 0.5) / across, (y + 0.5) / across);
          draw({ name, x, y });
          squares.querySelector("button")?.focus();
        },
      }, inside ? name.slice(-2) : name);
    }));
  };
  draw();
  return el("div", { class: "plan-block" }, el("p", { class: "question" }, t("plan_point")), window_, said, whole);
}
