/** Fields of the editing views. Each is `{el, update(value)}`; what was typed stays until it is good. */

import { attr, h, say, text, tool } from "./dom.js";
import { drag, press } from "./press.js";

/** What the service says against a request. */
export class Refusal extends Error {
  /** @param {any} problem RFC 9457 problem details */
  constructor(problem) {
    super(problem?.detail || problem?.title || "The service refused this.");
    this.problem = problem;
    /** @type {{message: string, path: string, line: number, column: number}[]} */
    this.problems = problem?.problems ?? [];
  }

  /** All of it as lines for a person. */
  get lines() {
    if (!this.problems.length) return [this.message, ...(this.problem?.errors ?? []).map((e) => `${e.pointer}: ${e.detail}`)];
    return this.problems.map((p) => `${p.line ? `line ${p.line}: ` : ""}${p.path ? `${p.path}: ` : ""}${p.message}`);
  }
}

/** What an error says, line by line; none for no error. @returns {string[]} */
export function linesOf(error) {
  if (!error) return [];
  return error instanceof Refusal ? error.lines : [String(/** @type {any} */ (error).message ?? error)];
}

/** Do `act` and give its answer; what is said against it stands in `at`, and null is given.
 * @param {HTMLElement} at @param {() => Promise<any>} act @param {string} done what to say when it is done */
export async function attempt(at, act, done = "") {
  try {
    const answer = await act();
    at.replaceChildren();
    if (done) say(done);
    return answer;
  } catch (error) {
    at.replaceChildren(...linesOf(error).map((line) => h("p", { text: line })));
    at.scrollIntoView({ block: "nearest" });
    return null;
  }
}

/** One JSON request. Throws `Refusal`. */
export async function api(method, path, body = undefined) {
  let response;
  try {
    response = await fetch(new URL(`api/${path}`, document.baseURI), {
      method,
      headers: body === undefined ? {} : { "Content-Type": "application/json" },
      body: body === undefined ? undefined : JSON.stringify(body),
    });
  } catch { throw new Refusal({ title: "No word from the rig." }); }
  const data = await response.json().catch(() => ({}));
  if (!response.ok) throw new Refusal(data);
  return data;
}

let numbers = 0;
/** A fresh id for labels. */
export const freshId = () => `f${++numbers}`;

/** A caption over a control. */
export function labelled(caption, control, hint = "") {
  const id = control.id || freshId();
  control.id = id;
  return h("div", { class: "field" }, h("label", { for: id, text: caption }), control, hint ? h("small", { text: hint }) : null);
}

/**
 * Shows what is said against a value beside its own field. `hear` takes what a setter gave back
 * (lines of a refusal, none when it was taken); until a value is taken the field keeps what was put
 * in, and `kept` says so.
 * @param {HTMLElement} el what the words stand under
 * @param {HTMLElement} input what they are about
 */
export function judged(el, input) {
  const note = h("p", { class: "wrong", role: "alert", id: freshId() });
  el.append(note);
  let asked = 0;
  const self = {
    kept: false,
    /** @param {string[]} lines */
    show(lines) {
      self.kept = lines.length > 0;
      text(note, lines.join("\n"));
      attr(input, "aria-invalid", self.kept ? "true" : null);
      attr(input, "aria-describedby", self.kept ? note.id : null);
    },
    /** @param {Promise<string[]>|any} answer */
    async hear(answer) {
      const mine = ++asked;
      const lines = await answer;
      if (mine === asked) self.show(Array.isArray(lines) ? lines : []);
      return !self.kept;
    },
  };
  return self;
}

/** A whole number with large buttons at both sides. */
export function stepper(caption, { low, high, set }) {
  let value = low;
  const input = /** @type {HTMLInputElement} */ (h("input", { type: "number", inputmode: "numeric", min: low, max: high, step: "1", "aria-label": caption }));
  const go = (next) => { value = Math.min(high, Math.max(low, Math.round(next))); input.value = String(value); said.hear(set(value)); };
  input.addEventListener("change", () => {
    if (input.value !== "" && input.checkValidity()) go(Number(input.value));
    else said.show([`A whole number from ${low} to ${high}.`]);
  });
  const el = h("div", { class: "stepper", role: "group", "aria-label": caption }, h("span", { class: "cap", text: caption }),
    tool("−", () => go(value - 1), { "aria-label": `${caption}: less` }), input, tool("+", () => go(value + 1), { "aria-label": `${caption}: more` }));
  const said = judged(el, input);
  return { el, update(next) { if (said.kept) return; value = Number(next ?? low); if (document.activeElement !== input) input.value = String(value); } };
}

/** A choice from a list. `options` are [value, label]. */
export function picker(caption, options, set) {
  const select = /** @type {HTMLSelectElement} */ (h("select", {}, ...options.map(([value, label]) => h("option", { value, text: label }))));
  const el = labelled(caption, select);
  const said = judged(el, select);
  select.addEventListener("change", () => said.hear(set(select.value)));
  return {
    el, select,
    update(value) {
      if (said.kept) return;
      if (value && ![...select.options].some((o) => o.value === value)) select.append(h("option", { value, text: value }));
      select.value = value ?? "";
    },
  };
}

const UNITS = { share: "", probability: "", level: "", count: "", percent: " %", semitones: " st" };

const MEANT_PX = 6; // sideways, before a slider among things that scroll begins to move

/** A slider that moves relative to the finger and tells its value once the finger has left.
 * @param {{name: string, low: number, high: number, unit: string, whole?: boolean, says?: string}} setting */
export function fader(setting, commit) {
  const { low, high, whole } = setting;
  const span = high - low || 1;
  let value = low, shown = low, drawn = false;
  const caption = setting.name.replaceAll("_", " ");
  const number = h("output");
  const el = h("div", { class: "macro fader", role: "slider", tabindex: "0", "aria-label": caption, "aria-valuemin": low, "aria-valuemax": high, title: setting.says ?? "" },
    h("i"), h("u"), h("div", { class: "lab" }, h("span", { text: caption }), number));
  const box = h("div", {}, el);
  const said = judged(box, el);
  const tidy = (v) => Math.min(high, Math.max(low, whole ? Math.round(v) : Number(v.toPrecision(3))));
  const show = () => {
    shown = tidy(value);
    el.style.setProperty("--v", ((shown - low) / span).toFixed(4));
    const unit = UNITS[setting.unit] ?? (setting.unit ? ` ${setting.unit}` : "");
    text(number, `${shown}${unit}`);
    attr(el, "aria-valuenow", shown);
    attr(el, "aria-valuetext", `${shown}${unit}`);
  };
  let before = low;
  const hand = drag(el, {
    begin() { drawn = false; },
    move(finger, dx) {
      if (!drawn && Math.abs(finger.x - finger.x0) < MEANT_PX) return;
      if (!drawn) { drawn = true; dx = finger.x - finger.x0; }
      const away = Math.max(0, Math.abs(finger.y - finger.y0) - 60);
      value = Math.min(high, Math.max(low, value + (dx / el.clientWidth) * span / (1 + away / 40)));
      show();
    },
    end(finger, givenUp) {
      if (givenUp) { value = before; show(); return; }
      value = shown;
      if (value !== before) { before = value; said.hear(commit(value)); }
    },
  });
  let later = 0;
  el.addEventListener("keydown", (event) => {
    const step = whole ? 1 : span / (event.shiftKey ? 1000 : 100);
    const moves = { ArrowRight: step, ArrowUp: step, ArrowLeft: -step, ArrowDown: -step, PageUp: span / 10, PageDown: -span / 10, Home: -span, End: span };
    if (!(event.key in moves)) return;
    event.preventDefault();
    value = Math.min(high, Math.max(low, value + moves[event.key]));
    show();
    clearTimeout(later);
    later = window.setTimeout(() => { before = value = shown; said.hear(commit(value)); }, 350);
  });
  return { el: box, update(next) { if (!hand.finger && !said.kept) { value = before = Number(next ?? low); show(); } } };
}

/** Columns that are dragged up and down: notes or levels. Each column is a slider of its own.
 * @param {{caption: string, show: (v: any) => string, place: (v: any) => number|null, move: (v: any, steps: number) => any, rest: (v: any) => any, fresh: any, px: number}} kind
 * @param {(values: any[]) => any} send */
export function columns(kind, send) {
  /** @type {any[]} */
  let values = [];
  const row = h("div", { class: "columns", role: "group", "aria-label": kind.caption });
  const box = h("div", {});
  const said = judged(box, row);
  const commit = (all) => said.hear(send(all));
  const build = () => row.replaceChildren(...values.map((_, i) => column(i)));
  const put = (i, value, done) => {
    values[i] = value;
    paint(/** @type {HTMLElement} */ (row.children[i]), value, i);
    if (done) commit([...values]);
  };
  const paint = (el, value, i) => {
    const place = kind.place(value);
    el.style.setProperty("--v", String(place ?? 0));
    attr(el, "data-rest", place === null ? "yes" : null);
    text(/** @type {HTMLElement} */ (el.lastChild), kind.show(value));
    attr(el, "aria-valuenow", place === null ? 0 : Math.round(place * 100));
    attr(el, "aria-valuetext", place === null ? "rest" : kind.show(value));
    attr(el, "aria-label", `${kind.caption} ${i + 1}`);
  };
  const column = (i) => {
    const el = h("div", { class: "column", role: "slider", tabindex: "0", "aria-orientation": "vertical", "aria-valuemin": "0", "aria-valuemax": "100" }, h("i"), h("span"));
    paint(el, values[i], i);
    let start = null, moved = false;
    drag(el, {
      begin() { start = values[i]; moved = false; },
      move(finger) {
        const steps = Math.round((finger.y0 - finger.y) / kind.px);
        if (steps) moved = true;
        if (moved) put(i, kind.move(start, steps), false);
      },
      end(finger, givenUp) {
        if (givenUp) put(i, start, false);
        else if (moved) commit([...values]);
      },
    });
    el.addEventListener("dblclick", () => put(i, kind.rest(values[i]), true));
    let later = 0;
    el.addEventListener("keydown", (event) => {
      const steps = { ArrowUp: 1, ArrowRight: 1, ArrowDown: -1, ArrowLeft: -1, PageUp: 5, PageDown: -5 }[event.key];
      if (steps) put(i, kind.move(values[i], steps), false);
      else if (event.key === "Delete" || event.key === ".") put(i, kind.rest(values[i]), false);
      else return;
      event.preventDefault();
      clearTimeout(later);
      later = window.setTimeout(() => commit([...values]), 350);
    });
    return el;
  };
  const more = tool("+", () => { values.push(values.at(-1) ?? kind.fresh); build(); commit([...values]); }, { "aria-label": `${kind.caption}: one more` });
  const less = tool("−", () => { if (values.length > 1) { values.pop(); build(); commit([...values]); } }, { "aria-label": `${kind.caption}: one less` });
  box.prepend(h("div", { class: "columned" }, row, h("div", { class: "side" }, more, less)));
  return {
    el: box,
    update(next) {
      if (row.querySelector(".held") || said.kept) return;
      const same = next.length === values.length;
      values = [...next];
      if (same) [...row.children].forEach((el, i) => paint(/** @type {HTMLElement} */ (el), values[i], i));
      else build();
    },
  };
}

/** Steps by touch: rest, hit, accented hit. A finger drawn across paints what the first touch made. */
export function stepGrid(send) {
  let marks = "";
  let brush = "", before = "";
  const grid = h("div", { class: "steps", role: "group", "aria-label": "Steps" });
  const box = h("div", {}, grid);
  const said = judged(box, grid);
  const commit = (all) => said.hear(send(all));
  const NEXT = { ".": "x", x: "X", X: "." };
  const WORDS = { ".": "rest", x: "hit", X: "accent" };
  const paint = (el, i) => {
    attr(el, "data-mark", marks[i]);
    attr(el, "aria-label", `step ${i + 1}: ${WORDS[marks[i]]}`);
    text(/** @type {HTMLElement} */ (el.firstChild), marks[i] === "." ? "" : marks[i]);
  };
  const put = (i, mark) => { marks = marks.slice(0, i) + mark + marks.slice(i + 1); paint(/** @type {HTMLElement} */ (grid.children[i]), i); };
  const grouped = () => marks.replace(/(.{4})(?=.)/g, "$1 ");
  const build = () => grid.replaceChildren(...[...marks].map((_, i) => {
    const el = h("button", { type: "button", class: "step", "data-i": i }, h("span"));
    press(el, () => { before = marks; brush = NEXT[marks[i]]; put(i, brush); }, (event) => {
      if (event?.type === "pointercancel") [...before].forEach((mark, j) => put(j, mark)); // the finger scrolled
      else commit(grouped());
    });
    el.addEventListener("pointermove", (event) => {
      if (!el.classList.contains("down")) return;
      const over = /** @type {HTMLElement|null} */ (document.elementFromPoint(event.clientX, event.clientY)?.closest(".step"));
      if (over && grid.contains(over) && marks[Number(over.dataset.i)] !== brush) put(Number(over.dataset.i), brush);
    });
    paint(el, i);
    return el;
  }));
  const count = stepper("Steps", { low: 1, high: 64, set(n) { marks = (marks + marks.repeat(64)).slice(0, n); build(); commit(grouped()); } });
  box.append(count.el);
  return {
    el: box,
    update(value) {
      const next = String(value ?? "").replaceAll(" ", "");
      if (grid.querySelector(".down") || said.kept) return;
      const same = next.length === marks.length;
      marks = next;
      if (same) [...grid.children].forEach((el, i) => paint(/** @type {HTMLElement} */ (el), i));
      else build();
      count.update(marks.length);
    },
  };
}
