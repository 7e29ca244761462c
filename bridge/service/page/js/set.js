/** The editing view: the lanes and macros of the set, each edited where it is drawn. */

import { attr, button, h, icon, say, text } from "./dom.js";
import { Refusal, api, labelled, picker } from "./fields.js";
import { LaneEditor } from "./lane-edit.js";
import { MacroEditor } from "./macro-edit.js";
import { WholeEditor } from "./whole-edit.js";

const FRESH = {
  euclid: { euclid: { hits: 4, steps: 16 } },
  steps: { steps: "x... x... x... x..." },
  every: { every: 4 },
  logic: null, // needs a lane to start from
  notes: { notes: ["A2", "C3", "E3"] },
  levels: { levels: [0, 0.5, 1, 0.5] },
  shape: { shape: "sine", rate: "1/1" },
};

/** The set as the editors see it: plain data, the words that may be used, the rig's outputs. */
export class SetModel extends EventTarget {
  constructor(app) {
    super();
    this.app = app;
    /** @type {any} */
    this.data = { lanes: {}, macros: {} };
    this.words = { settings: {}, scales: {}, hit_kinds: [], value_kinds: [] };
    /** @type {{output: string, kind: string, cable: string, low: number, high: number, lanes: string[], macros: string[]}[]} */
    this.outputs = [];
    this.revision = -1;
    this.busy = 0;
  }

  async load() {
    const [plain, rig] = await Promise.all([api("GET", "set/plain"), api("GET", "rig")]);
    if (!Object.keys(this.words.settings).length) this.words = await api("GET", "words");
    this.outputs = rig.outputs;
    this.take(plain);
  }

  take(plain) {
    this.data = plain.data;
    this.data.lanes ??= {};
    this.data.macros ??= {};
    this.revision = plain.revision;
    this.dispatchEvent(new Event("data"));
  }

  /** @param {{path: string[], value?: any, rename?: string}[]} edits Throws `Refusal`. */
  async edit(edits, when = "beat") {
    this.busy++;
    try { this.take(await api("POST", "set/edits", { edits, when })); } finally { this.busy--; }
  }

  /** @returns {Promise<{problems: any[], chart: any}>} */
  preview(edits, bars = 1) { return api("POST", "set/preview", { edits, bars }); }
}

export async function build(root, app) {
  const model = new SetModel(app);
  app.model = model;
  let chosen = { what: "lane", name: "" };
  let editor = /** @type {any} */ (null);

  const lanes = h("ul", { class: "names", "aria-label": "Lanes" });
  const whole = h("ul", { class: "names", "aria-label": "The set" });
  const macros = h("ul", { class: "names", "aria-label": "Macros" });
  const undo = button("Undo", () => travel("undo"));
  const redo = button("Redo", () => travel("redo"));
  const problem = h("div", { class: "problem", role: "alert" });
  const work = h("div", { class: "work" });
  const adder = addForm(model, (what, name) => choose(what, name), fail);
  root.append(h("div", { class: "bench" },
    h("div", { class: "index" }, h("div", { class: "pair" }, undo, redo), whole, h("h2", { text: "Lanes" }), lanes, h("h2", { text: "Macros" }), macros, adder),
    h("div", { class: "editor" }, problem, work)));

  async function travel(way) {
    const result = await app.link.send({ do: way });
    if (!result.ok && !result.lost) say(result.problem?.detail ?? "Nothing there.");
  }

  function fail(error) {
    problem.replaceChildren(...(error ? (error instanceof Refusal ? error.lines : [String(error)]).map((line) => h("p", { text: line })) : []));
  }

  /** Run one edit and show what is said against it; the field keeps what was put in. */
  async function attempt(edits, when) {
    try { await model.edit(edits, when); fail(null); return true; } catch (error) { fail(error); return false; }
  }

  function choose(what, name) {
    chosen = { what, name };
    editor?.close?.();
    fail(null);
    const Editor = { lane: LaneEditor, macro: MacroEditor, whole: WholeEditor }[what];
    editor = new Editor(name, app, model, attempt, choose);
    work.replaceChildren(editor.el);
    editor.update();
    list();
  }

  function list() {
    const entry = (what, name, note) => h("li", {}, h("button", {
      type: "button", class: "entry", "aria-current": chosen.what === what && chosen.name === name ? "true" : null, on: { click: () => choose(what, name) },
    }, h("span", { text: name || "whole set" }), h("small", { text: note })));
    const focused = document.activeElement?.closest(".names") ? document.activeElement.textContent : null;
    whole.replaceChildren(entry("whole", "", "tempo, key"));
    lanes.replaceChildren(...Object.entries(model.data.lanes).map(([name, lane]) => entry("lane", name, kindOf(lane))));
    macros.replaceChildren(...Object.keys(model.data.macros).map((name) => entry("macro", name, `drives ${model.data.macros[name].drives?.length ?? 0}`)));
    if (focused) [...root.querySelectorAll(".entry")].find((el) => el.textContent === focused)?.focus();
  }

  model.addEventListener("data", () => {
    const pool = { lane: model.data.lanes, macro: model.data.macros, whole: { "": true } }[chosen.what];
    if (!(chosen.name in pool)) choose("lane", Object.keys(model.data.lanes)[0] ?? "");
    else { list(); editor?.update(); }
  });
  app.store.on(["revision"], ({ revision }) => { if (revision !== model.revision && !model.busy && !root.hidden) model.load().catch(fail); });
  app.store.on(["history"], ({ history }) => {
    attr(undo, "aria-disabled", !history?.undo);
    attr(redo, "aria-disabled", !history?.redo);
    attr(undo, "title", history?.undo_label || null);
    attr(redo, "title", history?.redo_label || null);
  });
  await model.load().catch(fail);
  return { shown: () => model.load().catch(fail), frame: (now) => editor?.frame?.(now), themed: () => editor?.themed?.() };
}

/** Which source a written lane has. */
export function kindOf(lane) {
  return ["euclid", "steps", "every", "logic", "notes", "levels", "shape", "decay", "hold", "walk"].find((kind) => kind in (lane ?? {})) ?? "?";
}

function addForm(model, choose, fail) {
  const name = /** @type {HTMLInputElement} */ (h("input", { type: "text", autocapitalize: "none", autocomplete: "off", spellcheck: "false", maxlength: "32", required: true, pattern: "[a-z][a-z0-9\\-]*", title: "small letters, digits and -, beginning with a letter" }));
  const kind = picker("Kind", [...Object.keys(FRESH).map((k) => [k, k]), ["macro", "macro"]], () => {});
  const form = h("form", { class: "add", "aria-label": "Add a lane or a macro" }, labelled("New name", name), kind.el, h("button", { type: "submit", class: "k" }, icon("add"), "Add"));
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const what = kind.select.value;
    const first = Object.keys(model.data.lanes)[0];
    const value = what === "macro" ? { start: 0.5, drives: [{ lane: first, setting: "shift_ms", depth: 0 }] } : what === "logic" ? { logic: `not ${first}` } : FRESH[what];
    try {
      await model.edit([{ path: [what === "macro" ? "macros" : "lanes", name.value], value }]);
      choose(what === "macro" ? "macro" : "lane", name.value);
      name.value = "";
    } catch (error) { fail(error); name.focus(); }
  });
  return form;
}
