// The outline of a body: our own drawing, a jointed figure of the kind that
// stands on a drawing table. Each part is a button with its name, so that finger,
// keyboard and screen reader find the same thing.
import { el } from "../el.ts";
import { bodyWords } from "../draft.ts";
import { t, type Key } from "../words.ts";

// Each part: its name and its area in the figure (see tablet.css). Left and
// right are those of the person hurt, so that they change sides with the view.
const sides = (view: "front" | "back") => (view === "front" ? ["right", "left"] : ["left", "right"]);

function parts(view: "front" | "back"): [string, string][] {
  const [a, b] = sides(view);
  const middle: [string, string][] = view === "front"
    ? [["face", "head"], ["neck", "neck"], ["chest", "upper"], ["belly", "lower"], ["hip", "hip"]]
    : [["head", "head"], ["neck", "neck"], ["upper", "upper"], ["lower", "lower"], ["hip", "hip"]];
  const limbs = ["shoulder", "arm", "hand", "leg", "knee", "foot"].flatMap((p): [string, string][] => [[`${a}_${p}`, p + "-a"], [`${b}_${p}`, p + "-b"]]);
  return [...middle, ...limbs];
}

// rest are places that no outline shows.
const rest = ["eyes", "inside", "mind"];

export function bodyMap(chosen: string[], changed: () => void): HTMLElement {
  const figure = el("div", { class: "figure", role: "group", "aria-label": t("hurt_title") });
  const other = el("div", { class: "chips" });
  const said = el("p", { class: "said", id: "said", role: "status" });
  const views = el("div", { class: "pair" });
  let view: "front" | "back" = "front";

  const part = (name: string, area?: string) => {
    const words = bodyWords(name, (k) => t(k));
    const b = el("button", {
      type: "button", class: area ? "part part-" + area : "chip", id: "part-" + name, "aria-pressed": String(chosen.includes(name)), "aria-label": words,
      click: () => {
        const at = chosen.indexOf(name);
        if (at < 0) chosen.push(name);
        else chosen.splice(at, 1);
        b.setAttribute("aria-pressed", String(at < 0));
        say();
        changed();
      },
    }, area ? t(("body_" + name.replace(/^(left|right)_/, "")) as Key) : t(("body_" + name) as Key));
    return b;
  };
  const say = () => {
    said.textContent = chosen.length ? chosen.map((c) => bodyWords(c, (k) => t(k))).join(", ") : t("hurt_none");
  };
  const draw = () => {
    const [a, b] = sides(view);
    figure.dataset["view"] = view;
    figure.replaceChildren(
      el("span", { class: "side side-a" }, t(("body_" + a) as Key)),
      el("span", { class: "side side-b" }, t(("body_" + b) as Key)),
      ...parts(view).map(([name, area]) => part(name, area)),
    );
    views.replaceChildren(
      ...(["front", "back"] as const).map((v) =>
        el("button", {
          type: "button", class: "chip", id: "view-" + v, "aria-pressed": String(v === view),
          click: () => {
            view = v;
            draw();
            document.getElementById("view-" + v)?.focus();
          },
        }, t(("hurt_" + v) as Key))),
    );
  };
  draw();
  other.replaceChildren(...rest.map((r) => part(r)));
  say();
  return el("div", { class: "body" }, views, figure, other, said);
}
