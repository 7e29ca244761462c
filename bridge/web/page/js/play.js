/** The playing view: banks of heads and traces, and the deck under them. */

import { attr, button, choice, h, text, textLines, tool } from "./dom.js";
import { Banks } from "./banks.js";
import { Gestures } from "./gestures.js";
import { moverOf } from "./movers.js";
import { Head, touchMode } from "./heads.js";
import { Macro, fineMode } from "./macros.js";
import { hasNotes, linesOfNames, noteName } from "./ink.js";
import { meter } from "./meter.js";
import { silent } from "./store.js";

const MIN_MACRO = 140;

/** The lanes whose hits make those of a lane, from its written source. @returns {string[]} */
function sourcesOf(name, lane, names) {
  const words = new Set(String(lane?.logic ?? "").match(/[a-z][a-z0-9-]*/g));
  return names.filter((other) => other !== name && words.has(other));
}

/** Lanes in the order of the set, but each derived one right after the last of those it follows
 * from, so that threads are short. @param {string[]} names @param {Map<string, string[]>} sources */
export function besideSources(names, sources) {
  /** @type {string[]} */
  const placed = [];
  const derived = (name) => (sources.get(name) ?? []).length > 0;
  for (const name of names.filter((one) => !derived(one))) placed.push(name);
  let left = names.filter(derived);
  while (left.length) {
    // Of what hangs on placed lanes; where lanes hang on each other, whichever comes first.
    const name = left.find((one) => sources.get(one)?.every((source) => placed.includes(source))) ?? left[0];
    left = left.filter((one) => one !== name);
    let at = Math.max(-1, ...(sources.get(name) ?? []).map((source) => placed.indexOf(source))) + 1;
    while (at < placed.length && derived(placed[at]) && names.indexOf(placed[at]) < names.indexOf(name)) at++;
    placed.splice(at || placed.length, 0, name);
  }
  return placed;
}

export class PlayView {
  /**
   * @param {HTMLElement} root
   * @param {{link: import("./link.js").Link, store: import("./store.js").Store, pen: import("./pen.js").Pen, ink: import("./ink.js").Ink}} app
   */
  constructor(root, { link, store, pen, ink }) {
    Object.assign(this, { root, link, store, pen, ink });
    this.link = link; this.store = store; this.pen = pen; this.ink = ink;
    /** @type {Map<string, Head>} */
    this.heads = new Map();
    /** @type {Map<string, Macro>} */
    this.macros = new Map();
    this.traces = h("div", { class: "traces" });
    this.spoken = h("ul", { class: "sr", "aria-label": "What each lane plays in the coming bar" });
    this.deck = this.buildDeck();
    root.append(this.traces, this.spoken, this.deck);
    this.banks = new Banks(this.traces, { store, pen, ink }, () => this.heads);
    this.hasOrder = false;
    /** The lanes that each lane follows from, as far as the set's text has told. @type {Map<string, string[]>} */
    this.sources = new Map();
    new ResizeObserver(() => { this.layoutMacros(); this.layout(); }).observe(this.traces);
    new ResizeObserver(() => this.layoutMacros()).observe(this.macroRow);
    store.on(["lanes", "moved_by"], () => this.showLanes());
    store.on(["macros", "moved_by"], () => this.showMacros());
    store.on(["sections", "section", "section_pending", "order", "moved_by"], (state) => this.showSections(state));
    link.addEventListener("played", (event) => this.played(/** @type {CustomEvent} */ (event).detail));
    link.addEventListener("condition", () => { if (!link.live) for (const macro of this.macros.values()) macro.letGo(); });
  }

  buildDeck() {
    const modes = choice("A touch on a lane acts", [
      ["now", "now", undefined, "A touch mutes a lane at once"],
      ["beat", "beat", "on the next beat", "A touch mutes on the next beat"],
      ["bar", "bar", "on the next bar", "A touch mutes on the next bar"],
      ["4", "4 bars", "in 4 bars", "A touch mutes in 4 bars"],
      ["held", "held", "only while held", "A touch mutes while it is held"],
      ["drop", "drop", "drop: muted for 4 bars, then back", "A touch mutes for 4 bars"],
      ["solo", "solo", undefined, "A touch plays a lane alone"],
    ], (value) => { touchMode.value = value; });
    this.modes = modes;
    this.fine = button("fine", () => {
      fineMode.on = !fineMode.on;
      attr(this.fine, "aria-pressed", fineMode.on);
      for (const macro of this.macros.values()) { macro.showGear(fineMode.on); macro.show(); }
    }, { class: "k fine", "aria-pressed": "false", "aria-label": "fine: macros move eight times finer" });
    this.groups = h("div", { class: "sections groups", role: "group", "aria-label": "Groups" });
    this.sections = h("div", { class: "sections", role: "group", "aria-label": "Sections" });
    this.macroRow = h("div", { class: "macros", role: "group", "aria-label": "Macros" });
    this.morph = /** @type {HTMLSelectElement} */ (h("select", { "aria-label": "How sections change" },
      ...[["0", "macros jump"], ["1", "glide 1 bar"], ["2", "glide 2 bars"], ["4", "glide 4 bars"], ["8", "glide 8 bars"]].map(([value, label]) => h("option", { value, text: label }))));
    // What stands in the strip acts once the finger has left: a swipe along it plays nothing.
    this.order = tool("order", () => this.link.send({ do: "order", run: !this.store.state.order.running }), { "aria-label": "order: run the sections in their order" });
    this.goOn = tool("go on", () => this.link.send(this.gestures.goesOn ? { do: "cancel", order: true } : { do: "order-next" }), {});
    this.gestures = new Gestures(this.link, this.store);
    const row = h("div", { class: "row" }, modes.el, h("div", { class: "strip" }, this.groups, this.sections, h("div", { class: "sections" }, this.morph, this.order, this.goOn, ...this.gestures.parts)));
    return h("div", { class: "deck" }, row, h("div", { class: "knobs" }, this.macroRow, this.fine));
  }

  showLanes() {
    const state = this.store.state;
    const names = Object.keys(state.lanes);
    if (names.length !== this.heads.size || names.some((name) => !this.heads.has(name))) {
      const old = this.heads;
      this.heads = new Map(besideSources(names, this.sources).map((name) => [name, old.get(name) ?? new Head(name, this.link, this.store)]));
      for (const [name, head] of old) if (!this.heads.has(name)) head.up();
      for (const [name, lines] of linesOfNames(names)) textLines(/** @type {Head} */ (this.heads.get(name)).label, lines);
      this.layout(true);
    }
    for (const head of this.heads.values()) head.update();
    this.gestures.show();
    const groups = [...new Set(names.flatMap((name) => state.lanes[name].groups ?? []))];
    if (groups.join() !== this.groups.dataset.names) {
      this.groups.dataset.names = groups.join();
      this.groups.replaceChildren(...groups.map((group) => tool(group, () => this.touchGroup(group), { "data-group": group, "aria-label": `group ${group}` })));
    }
    for (const el of /** @type {HTMLCollectionOf<HTMLElement>} */ (this.groups.children)) {
      const members = names.filter((name) => state.lanes[name].groups?.includes(el.dataset.group));
      attr(el, "aria-pressed", members.some((name) => !silent(state.lanes[name])));
      attr(el, "data-pending", members.some((name) => state.lanes[name].pending) ? "yes" : null);
    }
    this.groups.hidden = groups.length === 0;
  }

  /** As few rows as there is room for, all of them filled alike. */
  layoutMacros() {
    const count = this.macros.size, { clientWidth: width } = this.macroRow;
    if (!count || !width) return;
    const rows = Math.ceil(count / Math.max(2, Math.min(6, Math.floor((width + 12) / MIN_MACRO))));
    this.macroRow.style.setProperty("--cols", String(Math.ceil(count / rows)));
    const scrolls = [this.macroRow, this.deck].some((el) => el.scrollHeight > el.clientHeight + 1);
    attr(this.deck, "data-scrolls", scrolls ? "yes" : null);
  }

  /** Mute a group, or bring it back; a touch on one that waits takes that back. */
  touchGroup(group) {
    const members = Object.entries(this.store.state.lanes).filter(([, lane]) => lane.groups?.includes(group));
    const lanes = members.map(([, lane]) => lane);
    const { value } = touchMode;
    if (value === "drop") { this.gestures.dropTo(group); return; }
    const waits = value === "now" ? [] : members.filter(([, lane]) => lane.pending);
    if (waits.length) { for (const [lane] of waits) this.link.send({ do: "cancel", lane }); return; }
    const when = value === "beat" || value === "bar" ? value : value === "4" ? 4 : "now";
    this.link.send({ do: "group", group, muted: lanes.some((lane) => !lane.muted), when });
  }

  showMacros() {
    const names = Object.keys(this.store.state.macros);
    if (names.join() !== [...this.macros.keys()].join()) {
      const old = this.macros;
      this.macros = new Map(names.map((name) => [name, old.get(name) ?? new Macro(name, this.link, this.store)]));
      for (const [name, lines] of linesOfNames(names)) textLines(/** @type {Macro} */ (this.macros.get(name)).label, lines.map((line) => line.replaceAll("-", " ")));
      this.macroRow.replaceChildren(...[...this.macros.values()].map((macro) => macro.el));
      this.layoutMacros();
    }
    for (const macro of this.macros.values()) macro.update();
  }

  showSections(state) {
    this.order.hidden = !this.hasOrder && !state.order?.running;
    attr(this.order, "aria-pressed", state.order?.running ?? false);
    this.goOn.hidden = !state.order?.running;
    const open = state.order?.running && state.order.tick === null;
    attr(this.goOn, "data-open", open ? "yes" : null);
    attr(this.goOn, "data-pending", this.gestures.goesOn ? "yes" : null);
    attr(this.goOn, "aria-label", this.gestures.goesOn ? "go on: waits for the bar line; touch to take it back" : `go on: the next entry of the order, on the next bar line${open ? "; this one waits for it" : ""}`);
    this.morph.hidden = !state.sections.length;
    if (state.sections.join() !== this.sections.dataset.names) {
      this.sections.dataset.names = state.sections.join();
      this.sections.replaceChildren(...state.sections.map((section) => tool([h("span", { text: section }), h("small")], () => this.touchSection(section), { "data-section": section })));
    }
    for (const el of /** @type {HTMLCollectionOf<HTMLElement>} */ (this.sections.children)) {
      const pending = state.section_pending?.section === el.dataset.section ? state.section_pending : null;
      attr(el, "aria-pressed", state.section === el.dataset.section);
      attr(el, "data-pending", pending ? "yes" : null);
      attr(el, "aria-label", pending ? `${el.dataset.section} waits for bar ${pending.bar}: touch to take it back` : null);
      const hand = moverOf(state, `section/${el.dataset.section}`);
      attr(el, "data-moved", hand?.says);
      text(/** @type {HTMLElement} */ (el.lastChild), [pending ? `at ${pending.bar}` : "", hand?.short ?? ""].filter(Boolean).join(", "));
    }
  }

  /** Recall a section at the next bar line; a touch on one that waits takes it back. */
  async touchSection(section) {
    const waits = this.store.state.section_pending?.section === section;
    const result = await this.link.send(waits ? { do: "cancel", section } : { do: "section", section, when: "bar", morph_bars: Number(this.morph.value) });
    if (!result.ok && !result.lost) this.sections.dispatchEvent(new CustomEvent("refused", { bubbles: true, detail: result.problem }));
  }

  /** Whether nothing shall move by itself. */
  get still() { return this.banks.still; }

  layout(force = false) { this.banks.layout(force); }

  /** Ticks that the widest chart shows after the pen. */
  ahead() { return this.banks.ahead(); }

  theme() { this.banks.drawing.theme(); }

  /** The set as it is written: only it says whether there is a running order. */
  learn(data) {
    this.hasOrder = (data.order?.length ?? 0) > 0;
    const first = !this.sources.size;
    this.sources = new Map(Object.entries(data.lanes ?? {}).map(([name, lane]) => [name, sourcesOf(name, lane, Object.keys(data.lanes))]));
    // Later edits leave every switch where the hand knows it; the next set is put in order anew.
    if (first) { this.heads = new Map(besideSources([...this.heads.keys()], this.sources).map((name) => [name, /** @type {Head} */ (this.heads.get(name))])); this.layout(true); }
    this.showSections(this.store.state);
  }

  /** Hits have sounded: their lamps light up. */
  played({ hits }) {
    if (!document.hidden) this.banks.drawing.tell({ hits: hits.map(([lane, , level]) => [lane, level ?? 1]) });
  }

  /** Whether every frame is drawn on this thread, as no worker does it. */
  get drawsHere() { return this.banks.drawing.painter !== null; }

  /** One animation frame. */
  frame(now) { this.banks.drawing.painter?.frame(now); }

  /** The same chart in words, for those who do not see it. */
  describe() {
    const state = this.store.state;
    const { bar, beat } = meter(state);
    const start = Math.ceil(this.pen.at(performance.now()) / bar) * bar;
    const items = Object.entries(state.lanes).map(([name, lane]) => {
      const trace = this.ink.traces.get(name);
      let words = "nothing";
      if (trace?.isValue) {
        const values = trace.values.filter(([t]) => t >= start && t < start + bar).slice(0, 8);
        words = values.map(([, v]) => (hasNotes(lane) ? noteName(v, state.note_names) : `${v.toFixed(1)} V`)).join(", ") || "no change";
      } else if (trace) {
        const hits = trace.hits.filter((mark) => mark.t >= start - 20 && mark.t < start + bar - 20);
        if (hits.length) words = `${hits.length} hits, on beats ${hits.map((mark) => (1 + Math.round(((mark.t - start) / beat) * 4) / 4)).join(", ")}`;
      }
      return h("li", { text: `${name}${lane.muted ? ", muted" : silent(lane) ? ", not in solo" : ""}: ${words}` });
    });
    this.spoken.replaceChildren(...items);
  }
}
