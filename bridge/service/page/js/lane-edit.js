/** One lane in the editing view: drawn as it will play, with the fields of its kind. */

import { Chart } from "./chart.js";
import { button, h, say, text } from "./dom.js";
import { columns, fader, labelled, picker, stepGrid, stepper } from "./fields.js";
import { Ink, noteName } from "./ink.js";
import { meter } from "./play.js";
import { kindOf } from "./set.js";

const RATES = ["1/1", "1/2", "1/4", "1/8", "1/16", "1/32", "1/4T", "1/8T", "1/16T", "1/4.", "1/8.", "3/8", "3/16", "3:4"];
const FIRST = ["chance", "density", "level", "gate", "swing", "shift_ms", "slew_ms", "depth", "offset", "transpose"];
const LOGIC_WORDS = ["and", "or", "xor", "not", "(", ")"];
const PREVIEW_MS = 250;
const ROW = 72;

const LETTERS = { C: 0, D: 2, E: 4, F: 5, G: 7, A: 9, B: 11 };
/** Note number of a written note, or null for rests and ties. */
export function numberOf(note) {
  if (note !== null && typeof note === "object") return numberOf(note.note);
  if (typeof note === "number") return note;
  const m = /^([A-G])([#b]*)(-?\d+)$/.exec(String(note));
  if (!m) return null;
  let n = LETTERS[m[1]] + 12 * (Number(m[3]) + 1);
  for (const c of m[2]) n += c === "#" ? 1 : -1;
  return n;
}

export class LaneEditor {
  /** @param {string} name @param {any} app @param {import("./set.js").SetModel} model
   * @param {(edits: any[], when?: string) => Promise<boolean>} attempt @param {(what: string, name: string) => void} choose */
  constructor(name, app, model, attempt, choose) {
    this.name = name; this.app = app; this.model = model; this.attempt = attempt; this.choose = choose;
    this.canvas = /** @type {HTMLCanvasElement} */ (h("canvas", { "aria-hidden": "true" }));
    this.strip = h("div", { class: "strip-one" }, this.canvas);
    this.chart = new Chart(this.canvas);
    /** What an unfinished change would play. @type {Ink|null} */
    this.trial = null;
    this.note = h("p", { class: "trial" });
    this.kind = "";
    this.fields = h("div", { class: "fields" });
    /** @type {{update: (lane: any) => void}[]} */
    this.controls = [];
    this.el = h("article", { "aria-label": `Lane ${name}` }, this.head(), this.strip, this.note, this.fields);
    new ResizeObserver(() => this.size()).observe(this.strip);
  }

  get lane() { return this.model.data.lanes[this.name] ?? {}; }

  put(key, value, when) { return this.attempt([{ path: ["lanes", this.name, ...[].concat(key)], value }], when); }

  head() {
    const name = /** @type {HTMLInputElement} */ (h("input", { type: "text", class: "title", ".value": this.name, "aria-label": "Name of the lane", autocapitalize: "none", spellcheck: "false", maxlength: "32" }));
    name.addEventListener("change", async () => {
      const next = name.value.trim();
      if (next && next !== this.name && await this.attempt([{ path: ["lanes", this.name], rename: next }])) this.choose("lane", next);
    });
    const remove = button("Remove", async () => {
      if (await this.attempt(this.removal())) say(`${this.name} is removed. Undo brings it back.`);
    });
    const reset = button("To its first step", () => this.app.link.send({ do: "reset", lane: this.name }));
    return h("div", { class: "title-row" }, name, reset, remove);
  }

  /** The lane and what names it: sections and drives. Logic that needs it is for the person to change. */
  removal() {
    const edits = [{ path: ["lanes", this.name], value: null }];
    for (const [section, s] of Object.entries(this.model.data.sections ?? {})) {
      if (Array.isArray(s.play) && s.play.includes(this.name)) edits.push({ path: ["sections", section, "play"], value: s.play.filter((n) => n !== this.name) });
      if (s.lanes?.[this.name]) edits.push({ path: ["sections", section, "lanes", this.name], value: null });
    }
    for (const [macro, m] of Object.entries(this.model.data.macros ?? {})) {
      const left = m.drives?.filter((d) => d.lane !== this.name);
      if (left && left.length !== m.drives.length) edits.push({ path: ["macros", macro, ...(left.length ? ["drives"] : [])], value: left.length ? left : null });
    }
    return edits;
  }

  update() {
    const kind = kindOf(this.lane);
    if (kind !== this.kind) { this.kind = kind; this.buildFields(); }
    for (const control of this.controls) control.update(this.lane);
    this.forget();
    this.size();
  }

  forget() { this.trial = null; text(this.note, ""); }

  /** @param {{el: HTMLElement, update: (v: any) => void}} field */
  add(field, read, into = this.fields) {
    into.append(field.el);
    this.controls.push({ update: (lane) => field.update(read(lane)) });
  }

  buildFields() {
    this.controls = [];
    this.fields.replaceChildren();
    const source = h("div", { class: "source" });
    this.fields.append(source);
    const make = { euclid: this.euclid, steps: this.steps, logic: this.logic, notes: this.notes, levels: this.levels, every: this.every, shape: this.shape }[this.kind];
    if (make) make.call(this, source);
    else source.append(h("p", { text: `A lane of kind ${this.kind} is edited as text, on the shelf.` }));
    const row = h("div", { class: "field-row" });
    this.fields.append(row);
    const others = Object.keys(this.model.data.lanes).filter((n) => n !== this.name);
    if (this.kind !== "logic" && this.kind !== "decay" && this.kind !== "hold") {
      this.add(picker("Moves on by", [...RATES.map((r) => [r, r]), ...others.map((n) => [n, `hits of ${n}`])], (v) => {
        const key = v.includes("/") || v.includes(":") ? "rate" : "advance";
        this.attempt([{ path: ["lanes", this.name, key === "rate" ? "advance" : "rate"], value: null }, { path: ["lanes", this.name, key], value: v }]);
      }), (lane) => lane.advance ?? lane.rate ?? "1/16", row);
    }
    const hits = this.model.words.hit_kinds.includes(this.kind);
    const fits = this.model.outputs.filter((o) => (hits ? ["gate", "trigger"] : ["pitch", "level"]).includes(o.kind));
    this.add(picker("Out", [["", "none: a helper for others"], ...fits.map((o) => [o.output, `${o.output}${o.cable ? `, ${o.cable}` : ""}${o.lanes.length && !o.lanes.includes(this.name) ? ` (${o.lanes.join(", ")})` : ""}`])],
      (v) => this.put("out", v || null)), (lane) => lane.out ?? "", row);
    const settings = Object.entries(this.model.words.settings).filter(([key, s]) => s.kinds.includes(this.kind) && !["hits", "steps"].includes(key) && !(this.kind === "euclid" && key === "rotate"));
    const grid = h("div", { class: "faders" }), more = h("div", { class: "faders" });
    for (const [key, s] of settings) {
      const value = (lane) => (typeof lane[key] === "number" ? lane[key] : this.app.store.state.lanes[this.name]?.settings?.[key] ?? s.start);
      this.add(fader({ ...s, name: key }, (v) => this.put(key, v)), value, FIRST.includes(key) ? grid : more);
    }
    this.fields.append(grid, h("details", {}, h("summary", { text: "More settings" }), more));
  }

  euclid(into) {
    const row = h("div", { class: "field-row" });
    into.append(row);
    const set = (key) => (v) => this.put(["euclid", key], v);
    this.add(stepper("Hits", { low: 0, high: 64, set: set("hits") }), (l) => l.euclid?.hits, row);
    this.add(stepper("Steps", { low: 1, high: 64, set: set("steps") }), (l) => l.euclid?.steps, row);
    this.add(stepper("Rotate", { low: -64, high: 64, set: set("rotate") }), (l) => l.euclid?.rotate ?? 0, row);
  }

  steps(into) { this.add(stepGrid((v) => this.put("steps", v)), (l) => l.steps, into); }

  every(into) { this.add(stepper("Every n-th step", { low: 1, high: 64, set: (v) => this.put("every", v) }), (l) => l.every, into); }

  shape(into) {
    const forms = ["sine", "triangle", "ramp", "saw", "square", "random-steps", "random-smooth"];
    this.add(picker("Form", forms.map((f) => [f, f]), (v) => this.put("shape", v)), (l) => l.shape, into);
  }

  /** Degrees of the set's key in semitones, or all twelve. */
  key() {
    const { root = "C", scale = "chromatic" } = this.model.data.key ?? {};
    const degrees = Array.isArray(scale) ? scale : this.model.words.scales[scale] ?? [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11];
    const base = (numberOf(`${root}4`) ?? 60) % 12;
    return new Set(degrees.map((d) => (d + base) % 12));
  }

  notes(into) {
    const allowed = this.key();
    let low = 20, high = 96;
    const kind = {
      caption: "Note", px: 13, fresh: "A2",
      show: (v) => (numberOf(v) === null ? (v === "-" ? "tie" : "rest") : noteName(numberOf(v))),
      place: (v) => { const n = numberOf(v); return n === null ? null : Math.min(1, Math.max(0.03, (n - low) / (high - low))); },
      rest: (v) => (numberOf(v) === null ? "A2" : "."),
      move: (v, steps) => {
        let n = numberOf(v);
        if (n === null) n = 57;
        for (let left = Math.abs(steps); left > 0 && n > 0 && n < 127;) { n += Math.sign(steps); if (allowed.has(((n % 12) + 12) % 12)) left--; }
        const name = noteName(n);
        return v !== null && typeof v === "object" ? { ...v, note: name } : name;
      },
    };
    into.append(h("small", { text: "Drag up and down, in the key of the set. Double tap: rest." }));
    this.add(columns(kind, (v) => this.put("notes", v)), (l) => {
      const numbers = (l.notes ?? []).map(numberOf).filter((n) => n !== null);
      low = (numbers.length ? Math.min(...numbers) : 48) - 7; // an octave or so around what is there
      high = Math.max(...numbers, low + 19) + 7;
      return l.notes ?? [];
    }, into);
  }

  levels(into) {
    const kind = {
      caption: "Level", px: 6, fresh: 0.5,
      show: (v) => (typeof v === "number" ? v.toFixed(2) : "rest"),
      place: (v) => (typeof v === "number" ? Math.min(1, Math.max(0, v)) : null),
      rest: (v) => (typeof v === "number" ? "." : 0.5),
      move: (v, steps) => Math.round(Math.min(1, Math.max(-1, (typeof v === "number" ? v : 0.5) + steps * 0.05)) * 100) / 100,
    };
    into.append(h("small", { text: "Drag up and down. Double tap: rest." }));
    this.add(columns(kind, (v) => this.put("levels", v)), (l) => l.levels ?? [], into);
  }

  logic(into) {
    const field = /** @type {HTMLTextAreaElement} */ (h("textarea", { rows: "2", spellcheck: "false", autocapitalize: "none", class: "logic" }));
    const wrong = h("p", { class: "wrong", role: "alert" });
    const use = button("Use it", async () => { if (await this.put("logic", field.value)) { dirty = false; text(wrong, ""); } });
    let later = 0, dirty = false, asked = 0;
    const look = async () => {
      const mine = ++asked;
      if (field.value.trim() === this.lane.logic) { dirty = false; this.forget(); text(wrong, ""); this.size(); return; }
      try {
        const { problems, chart } = await this.model.preview([{ path: ["lanes", this.name, "logic"], value: field.value }], 3);
        if (mine !== asked) return;
        text(wrong, problems.map((p) => p.message).join("\n"));
        field.setAttribute("aria-invalid", String(problems.length > 0));
        if (!chart) return;
        this.trial = new Ink();
        this.trial.add(chart, chart.from, Object.keys(chart.lanes));
        text(this.note, "This is how it would play; it does not yet.");
        this.size();
      } catch (error) { text(wrong, String(/** @type {any} */ (error).message)); }
    };
    field.addEventListener("input", () => { dirty = true; clearTimeout(later); later = window.setTimeout(look, PREVIEW_MS); });
    field.addEventListener("keydown", (event) => { if (event.key === "Enter" && !event.shiftKey) { event.preventDefault(); use.click(); } });
    const insert = (word) => {
      const at = field.selectionStart ?? field.value.length, before = field.value.slice(0, at), after = field.value.slice(field.selectionEnd ?? at);
      const gap = before && !/[\s(]$/.test(before) && word !== ")" ? " " : "";
      field.value = `${before}${gap}${word} ${after.trimStart()}`;
      field.focus();
      field.selectionStart = field.selectionEnd = (before + gap + word).length + 1;
      field.dispatchEvent(new Event("input"));
    };
    const words = [...LOGIC_WORDS, ...Object.keys(this.model.data.lanes).filter((n) => n !== this.name && this.model.words.hit_kinds.includes(kindOf(this.model.data.lanes[n])))];
    into.append(h("div", { class: "with-button" }, labelled("Sounds when", field), use), wrong, h("div", { class: "word-row", role: "group", "aria-label": "Put in" }, ...words.map((w) => button(w, () => insert(w)))));
    this.controls.push({ update: (lane) => { if (!dirty || field.value === lane.logic) { field.value = lane.logic ?? ""; dirty = false; } } });
  }

  /** The lanes that this one follows from, then itself. */
  drawn() {
    const ink = this.trial ?? this.app.ink;
    const causes = new Set((ink.traces.get(this.name)?.hits ?? []).flatMap((m) => m.c));
    const order = Object.keys(this.model.data.lanes);
    const text = this.lane.logic ?? this.lane.advance ?? "";
    return [...order.filter((n) => n !== this.name && (causes.has(n) || new RegExp(`(?<![\\w-])${n}(?![\\w-])`).test(text))), this.name];
  }

  size() {
    const lanes = this.drawn();
    const height = 22 + lanes.length * ROW;
    this.strip.style.height = `${height}px`;
    Object.assign(this.chart, { lanes, row: ROW, ruler: 22, named: true });
    if (this.strip.clientWidth) this.chart.size(this.strip.clientWidth, height);
  }

  themed() { this.chart.theme(); }

  frame(now) {
    const { store, pen, ink } = this.app;
    const { bar, beat } = meter(store.state);
    if (Math.floor(now / 500) !== this.checked) {
      this.checked = Math.floor(now / 500);
      if (this.drawn().join() !== this.chart.lanes.join()) this.size();
    }
    this.chart.draw({ tick: pen.at(now), running: pen.running, ink: this.trial ?? ink, state: store.state, still: this.app.play.still.matches, bar, beat });
  }
}
