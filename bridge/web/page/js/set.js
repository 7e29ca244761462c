/** The editing view: the lanes and macros of the set, each edited where it is drawn. */

import { arrange, attr, h, icon, say, text, tool } from "./dom.js";
import { Refusal, api, judged, labelled, linesOf, picker, tagged } from "./fields.js";
import { words } from "./forms.js";
import { fresh, kindOf, noWords } from "./kinds.js";
import { LaneEditor } from "./lane-edit.js";
import { MacroEditor } from "./macro-edit.js";
import { editsOnto } from "./merge.js";
import { WholeEditor } from "./whole-edit.js";
import { prefixed, unprefixed } from "./within.js";

/** @typedef {(edits: any[], when?: string, more?: {label: string, act: () => any}|null) => Promise<false|{also?: string[]}>} Attempt
 * Runs one edit and shows what is said against it at the top, with one more button where it helps. */

/** The set as the editors see it: plain data, the words that may be used, the rig's outputs. */
export class SetModel extends EventTarget {
  constructor(app) {
    super();
    this.app = app;
    /** @type {any} */
    this.data = { lanes: {}, macros: {} };
    this.words = noWords();
    /** @type {{output: string, kind: string, cable: string, low: number, high: number, lanes: string[], macros: string[]}[]} */
    this.outputs = [];
    this.revision = -1;
    /** The section that changes of lanes hold in; null: everywhere. @type {string|null} */
    this.section = null;
    /** Names the text that the editors show. @type {string|null} */
    this.tag = null;
    this.busy = 0;
    /** Ends with the edit that is on its way. @type {Promise<unknown>} */
    this.turn = Promise.resolve();
  }

  async load() {
    const [plain, rig] = await Promise.all([tagged("GET", "set/plain"), api("GET", "rig")]);
    if (!Object.keys(this.words.settings).length) this.words = await api("GET", "words");
    this.outputs = rig.outputs;
    // An edit that was made while this was on its way has brought what is newer.
    if (plain.data.revision >= this.revision) this.take(plain);
  }

  /** @param {{data: any, tag: string|null}} answer */
  take({ data: plain, tag }) {
    this.tag = tag;
    this.data = plain.data;
    this.data.lanes ??= {};
    this.data.macros ??= {};
    this.revision = plain.revision;
    this.dispatchEvent(new Event("data"));
  }

  /** Make edits on the text that is shown. What somebody else has changed meanwhile stays: the edits
   * are made on that, unless they are about the same value.
   * @param {{path: string[], value?: any, rename?: string}[]} edits Throws `Refusal`.
   * @param {string|null} section where they hold only; null: everywhere */
  async edit(edits, when = "beat", section = null) {
    this.busy++;
    // One after the other: an edit of this very page must not find its own predecessor in the way.
    const before = this.turn;
    let done = () => {};
    this.turn = new Promise((resolve) => { done = () => resolve(undefined); });
    await before;
    try {
      const answer = await this.post(edits, when, section).catch(async (error) => {
        if (!(error instanceof Refusal) || !error.conflict) throw error;
        const before = this.data;
        await this.load();
        const moved = editsOnto(prefixed(edits, section), before, this.data);
        if (!moved) throw error;
        const again = await this.post(unprefixed(moved, section), when, section);
        say("Another editor changed this too: both changes are in.");
        return again;
      });
      this.take(answer);
      return answer.data;
    } finally {
      done();
      this.busy--;
      this.follow();
    }
  }

  post(edits, when, section) { return tagged("POST", "set/edits", section === null ? { edits, when } : { edits, when, section }, this.tag); }

  /** Load the set again when the state tells of a newer one. */
  follow() {
    const { revision } = this.app.store.state;
    if (revision > this.revision && !this.busy) this.load().catch(() => { /* the next revision tells it */ });
  }

  /** The same for a field: gives back the lines that are said against it, none when it was taken.
   * @returns {Promise<string[]>} */
  async judge(edits, when = "beat", section = null) {
    try { await this.edit(edits, when, section); return []; } catch (error) {
      if (!(error instanceof Refusal) || !error.conflict) return linesOf(error);
      this.dispatchEvent(new Event("data")); // the fields show what stands
      say("Another editor changed the same value just before: that stands, and yours was not taken.");
      return [];
    }
  }

  /** @returns {Promise<{problems: any[], chart: any}>} */
  preview(edits, bars = 1, section = null) { return api("POST", "set/preview", section === null ? { edits, bars } : { edits, bars, section }); }
}

export async function build(root, app) {
  const model = new SetModel(app);
  app.model = model;
  let chosen = { what: "lane", name: "" };
  let editor = /** @type {any} */ (null);

  const lanes = h("ul", { class: "names", "aria-label": "Lanes" });
  const whole = h("ul", { class: "names", "aria-label": "The set" });
  const macros = h("ul", { class: "names", "aria-label": "Macros" });
  const undo = tool("Undo", () => travel("undo"));
  const redo = tool("Redo", () => travel("redo"));
  const problem = h("div", { class: "problem", role: "alert" });
  const work = h("div", { class: "work" });
  const adder = addForm(model, (what, name) => choose(what, name));
  const mute = tool("Mute", () => { // the lane that is on the bench, without going back to the chart
    const lane = app.store.state.lanes[chosen.name];
    if (lane) app.link.send({ do: "mute", lane: chosen.name, muted: !lane.muted, when: "now" });
  });
  const adding = tool([icon("add")], () => attr(index, "data-adding", index.dataset.adding ? null : "yes"), { class: "k tool add-toggle", "aria-label": "Add a lane or a macro" });
  const index = h("div", { class: "index" }, h("div", { class: "pair" }, undo, redo, mute, adding),
    h("div", { class: "picker" }, whole, h("h2", { text: "Lanes" }), lanes, h("h2", { text: "Macros" }), macros), adder);
  root.append(h("div", { class: "bench" }, index, h("div", { class: "editor" }, problem, work)));

  function showMute() {
    const lane = chosen.what === "lane" ? app.store.state.lanes[chosen.name] : undefined;
    attr(mute, "aria-disabled", !lane);
    attr(mute, "aria-pressed", Boolean(lane?.muted));
    attr(mute, "aria-label", lane ? `Mute ${chosen.name}` : null);
  }
  app.store.on(["lanes"], showMute);

  async function travel(way) {
    const result = await app.link.send({ do: way });
    if (!result.ok && !result.lost) say(result.problem?.detail ?? "Nothing there.");
  }

  function fail(error, more = null) {
    problem.replaceChildren(...linesOf(error).map((line) => h("p", { text: line })));
    if (error && more) problem.append(tool(more.label, more.act));
    if (error) problem.scrollIntoView({ block: "nearest" });
  }

  /** @type {Attempt} */
  async function attempt(edits, when, more) {
    try {
      const plain = await model.edit(edits, when);
      fail(null);
      return plain;
    } catch (error) { fail(error, more); return false; }
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
    showMute();
    attr(index, "data-adding", null);
    root.querySelector(".entry[aria-current]")?.scrollIntoView({ block: "nearest", inline: "nearest" });
  }

  /** The entries by kind and name. One that stays is the same element: who works by keys keeps it. */
  let entries = /** @type {Map<string, {el: HTMLElement, button: HTMLElement, note: HTMLElement}>} */ (new Map());

  function list() {
    const kept = entries;
    entries = new Map();
    const entry = (what, name, told) => {
      const made = kept.get(`${what} ${name}`) ?? newEntry(what, name);
      attr(made.button, "aria-current", chosen.what === what && chosen.name === name ? "true" : null);
      text(made.note, told);
      entries.set(`${what} ${name}`, made);
      return made.el;
    };
    arrange(whole, [entry("whole", "", "tempo, key")]);
    arrange(lanes, Object.entries(model.data.lanes).map(([name, lane]) => entry("lane", name, kindOf(model.words, lane))));
    arrange(macros, Object.keys(model.data.macros).map((name) => entry("macro", name, `drives ${model.data.macros[name].drives?.length ?? 0}`)));
  }

  function newEntry(what, name) {
    const note = h("small");
    const button = h("button", { type: "button", class: "entry", on: { click: () => choose(what, name) } }, h("span", { text: name || "whole set" }), note);
    return { el: h("li", {}, button), button, note };
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
  return { shown: () => model.load().catch(fail), frame: (now) => editor?.frame?.(now), ahead: () => editor?.ahead?.() ?? 0, themed: () => editor?.themed?.() };
}

function addForm(model, choose) {
  const name = words({ maxlength: "32" });
  const kind = picker("Kind", [["macro", "macro"]], () => {});
  const add = /** @type {HTMLButtonElement} */ (h("button", { type: "submit", class: "k tool" }, icon("add"), "Add"));
  kind.select.disabled = add.disabled = true; // a choice made before the words are there would be lost
  model.addEventListener("data", () => {
    if (kind.select.options.length > 1) return; // the words come once
    kind.select.disabled = add.disabled = false;
    kind.select.prepend(...Object.keys(model.words.kinds).map((name) => h("option", { value: name, text: name })));
    kind.select.selectedIndex = 0;
  });
  /** A name that nobody has yet, for those who do not care. */
  const free = () => {
    const what = kind.select.value, pool = (what === "macro" ? model.data.macros : model.data.lanes) ?? {};
    for (let n = 1; ; n++) if (!(`${what}-${n}` in pool)) return `${what}-${n}`;
  };
  const offer = () => { name.placeholder = kind.select.value ? free() : ""; };
  kind.select.addEventListener("change", offer);
  model.addEventListener("data", () => setTimeout(offer));
  const field = labelled("New name", name);
  const said = judged(field, name);
  const form = h("form", { class: "add", "aria-label": "Add a lane or a macro", novalidate: true }, field, kind.el, add);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (add.disabled) return;
    const what = kind.select.value, key = name.value.trim() || free();
    const pool = what === "macro" ? "macros" : "lanes";
    if (key in model.data[pool]) { said.show([`There is a ${pool.slice(0, -1)} called ${key} already.`]); name.focus(); return; }
    const [value, lacks] = begun(model, what);
    if (lacks) { said.show([lacks]); return; }
    if (await said.hear(model.judge([{ path: [pool, key], value }]))) {
      choose(what === "macro" ? "macro" : "lane", key);
      name.value = "";
    } else name.focus();
  });
  return form;
}

/** What a new lane or macro begins with, or what it lacks. @returns {[any, string]} */
function begun(model, what) {
  const { lanes } = model.data, first = Object.keys(lanes)[0];
  if (what !== "macro") return fresh(model.words, lanes, what);
  return first ? [{ start: 0.5, drives: [{ lane: first, setting: "shift_ms", depth: 0 }] }, ""] : [null, "A macro drives something: add a lane first."];
}
