// Elements, made by hand: a screen is built once and thrown away, so there is
// nothing to compare and no framework to carry.

export type Kid = Node | string | number | null | undefined | false | Kid[];
type Props = Record<string, string | number | boolean | undefined | ((e: Event) => void)>;

export function el<K extends keyof HTMLElementTagNameMap>(tag: K, props: Props = {}, ...kids: Kid[]): HTMLElementTagNameMap[K] {
  const e = document.createElement(tag);
  for (const [name, value] of Object.entries(props)) {
    if (typeof value === "function") e.addEventListener(name, value);
    else if (value === true) e.setAttribute(name, "");
    else if (value !== undefined && value !== false) e.setAttribute(name, String(value));
  }
  put(e, kids);
  return e;
}

function put(e: Element, kids: Kid[]): void {
  for (const k of kids) {
    if (Array.isArray(k)) put(e, k);
    else if (k !== null && k !== undefined && k !== false) e.append(k instanceof Node ? k : String(k));
  }
}

let made = 0;

// field is a labelled place to write. Nothing is remembered of it: no name, no
// autofill, no spelling sent anywhere.
export function field(o: {
  label: string;
  more?: string;
  value: string;
  long?: boolean;
  type?: string;
  mode?: string;
  max?: number;
  id?: string;
  input: (value: string) => void;
}): HTMLElement {
  const id = o.id ?? `f${++made}`;
  const props = {
    id,
    dir: o.type === "date" ? undefined : "auto",
    autocomplete: "off",
    autocapitalize: o.mode ? "off" : "sentences",
    spellcheck: "false",
    maxlength: o.max ?? 4000,
    ...(o.more ? { "aria-describedby": id + "m" } : {}),
    ...(o.mode ? { inputmode: o.mode } : {}),
    input: (e: Event) => o.input((e.target as HTMLInputElement).value),
  };
  const box = o.long ? el("textarea", { ...props, rows: 5 }) : el("input", { ...props, type: o.type ?? "text" });
  box.value = o.value;
  return el("div", { class: "field" }, el("label", { for: id }, o.label), o.more ? el("p", { class: "more", id: id + "m" }, o.more) : null, box);
}

// row is an answer or a way on: a whole line to hit.
export function row(o: { words: string; more?: string | undefined; chosen?: boolean | undefined; id?: string; press: () => void; chosenWords?: string; kind?: string }): HTMLElement {
  return el(
    "button",
    { type: "button", class: o.kind ? "row " + o.kind : "row", id: o.id, ...(o.chosen === undefined ? {} : { "aria-pressed": o.chosen ? "true" : "false" }), click: o.press },
    el("span", { class: "row-words" }, o.words, o.chosen && o.chosenWords ? el("span", { class: "mark" }, " · " + o.chosenWords) : null),
    o.more ? el("span", { class: "more" }, o.more) : null,
  );
}
