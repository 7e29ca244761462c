/** Fields of the editing views. Each is `{el, update(value)}`; what was typed stays until it is good. */

import { attr, h, say, text, tool } from "./dom.js";
import { readable } from "./link.js";
import { drag } from "./press.js";

/** What the service says against a request. */
export class Refusal extends Error {
  /** @param {any} problem RFC 9457 problem details */
  constructor(problem) {
    problem = readable(problem);
    super(problem?.detail || problem?.title || "The service refused this.");
    this.problem = problem;
    /** Somebody else has changed the same thing since. */
    this.conflict = problem?.status === 412 || problem?.kind === "conflict";
    /** @type {{message: string, path: string, line: number, column: number}[]} */
    this.problems = problem?.problems ?? [];
  }

  /** All of it as lines for a person. */
  get lines() {
    const wrong = this.problem?.errors ?? []; // of one wrong place the message tells all
    if (!this.problems.length) return wrong.length > 1 ? wrong.map((e) => `${e.pointer}: ${e.detail}`) : [this.message];
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
export async function api(method, path, body = undefined) { return (await tagged(method, path, body)).data; }

/** The same with entity tags (RFC 9110, 8.8.3): `tag` names the version that a change was made on.
 * @returns {Promise<{data: any, tag: string|null}>} */
export async function tagged(method, path, body = undefined, tag = /** @type {string|null} */ (null)) {
  let response;
  try {
    response = await fetch(new URL(`api/${path}`, document.baseURI), {
      method,
      headers: { ...(body === undefined ? {} : { "Content-Type": "application/json" }), ...(tag ? { "If-Match": tag } : {}) },
      body: body === undefined ? undefined : JSON.stringify(body),
    });
  } catch { throw new Refusal({ title: "No answer: the connection is lost." }); }
  const data = await response.json().catch(() => ({}));
  if (!response.ok) throw new Refusal({ status: response.status, ...data });
  return { data, tag: response.headers.get("ETag") };
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

/** A setting by its word: the unit stands beside its value, so the caption does not say it again. */
export const settingName = (key) => String(key).replace(/_ms$/, " time").replaceAll("_", " ");

const UNITS = { share: "", probability: "", level: "", count: "", percent: " %", semitones: " st" };

const MEANT_PX = 6; // sideways, before a slider among things that scroll begins to move

/** A slider that moves relative to the finger and tells its value once the finger has left.
 * @param {{name: string, low: number, high: number, unit: string, whole?: boolean, says?: string}} setting */
export function fader(setting, commit) {
  const { low, high, whole } = setting;
  const span = high - low || 1;
  let value = low, shown = low, drawn = false;
  const caption = settingName(setting.name);
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
    later = window.setTimeout(() => { later = 0; before = value = shown; said.hear(commit(value)); }, 350);
  });
  // Between a key and its edit, news of an earlier edit must not put the old value back.
  return { el: box, update(next) { if (!hand.finger && !later && !said.kept) { value = before = Number(next ?? low); show(); } } };
}
