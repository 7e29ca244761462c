/** One lane in the editing view: drawn as it will play, with the fields of its kind. */

import { Chart, aheadOf } from "./chart.js";
import { h, say, text, tool } from "./dom.js";
import { fader, judged, picker } from "./fields.js";
import { words } from "./forms.js";
import { drivesPart } from "./drives.js";
import { driversOf } from "./movers.js";
import { varyPart } from "./vary.js";
import { meter } from "./meter.js";
import { kindOf, namesIn, playsHits } from "./kinds.js";
import { buildOrder, buildPitch } from "./lane-more.js";
import { SOURCES, parts } from "./sources.js";
import { Within } from "./within.js";

const ROW = 72;

export class LaneEditor {
  /** @param {string} name @param {any} app @param {import("./set.js").SetModel} model
   * @param {import("./set.js").Attempt} attempt @param {(what: string, name: string) => void} choose */
  constructor(name, app, model, attempt, choose) {
    this.name = name; this.app = app; this.model = model; this.attempt = attempt; this.choose = choose;
    this.canvas = /** @type {HTMLCanvasElement} */ (h("canvas", { "aria-hidden": "true" }));
    this.strip = h("div", { class: "strip-one" }, this.canvas);
    this.chart = new Chart(this.canvas);
    /** What an unfinished change would play. @type {import("./ink.js").Ink|null} */
    this.trial = null;
    /** Asks for the bars after those that the trial knows. @type {(() => Promise<void>)|null} */
    this.further = null;
    this.asking = false;
    this.note = h("p", { class: "trial" });
    this.kind = "";
    this.within = new Within(this);
    this.fields = h("div", { class: "fields" });
    /** @type {{update: (lane: any) => void}[]} */
    this.controls = [];
    this.el = h("article", { "aria-label": `Lane ${name}` }, this.head(), this.within.el, this.strip, this.note, this.fields);
    new ResizeObserver(() => this.size()).observe(this.strip);
  }

  /** As it is where changes hold: everywhere, or in one section. */
  get lane() { return this.within.lane; }

  /** Changes one key of the lane; gives back what is said against it. @returns {Promise<string[]>} */
  put(key, value, when) { return this.edit([{ path: ["lanes", this.name, ...[].concat(key)], value }], when); }

  edit(edits, when) { return this.within.change(edits, when); }

  head() {
    const name = words({ class: "title", ".value": this.name, "aria-label": "Name of the lane", maxlength: "32" });
    const row = h("div", { class: "title-row" }, name,
      tool("To its first step", () => this.app.link.send({ do: "reset", lane: this.name })),
      tool("Remove", () => this.remove(false)));
    const box = h("div", {}, row);
    const said = judged(box, name);
    name.addEventListener("change", async () => {
      const next = name.value.trim();
      if (next === this.name || !next) { name.value = this.name; said.show([]); return; }
      if (await said.hear(this.edit([{ path: ["lanes", this.name], rename: next }]))) this.choose("lane", next);
    });
    return box;
  }

  /** What others say of it stands in the way of removing it, unless they shall lose it too. */
  async remove(force) {
    const asked = [{ path: ["lanes", this.name], value: null, force }];
    const more = force ? null : { label: "Remove it all the same", act: () => this.remove(true) };
    const taken = await this.attempt(asked, "beat", more);
    if (taken) say(`${this.name} is removed${taken.also?.length ? `, and ${taken.also.join(", ")}` : ""}. Undo brings it back.`);
  }

  update() {
    this.within.update();
    const kind = kindOf(this.model.words, this.lane);
    if (kind !== this.kind) {
      const chosen = this.kinds?.select === document.activeElement;
      this.kind = kind;
      this.buildFields();
      if (chosen) this.kinds.select.focus(); // the fields are new, and the hand is where it was
    }
    for (const control of this.controls) control.update(this.lane);
    this.forget();
    this.size();
  }

  forget() { this.trial = this.further = null; text(this.note, ""); }

  /** @param {{el: HTMLElement, update: (v: any) => void}} field */
  add(field, read, into = this.fields) {
    into.append(field.el);
    this.controls.push({ update: (lane) => field.update(read(lane)) });
  }

  buildFields() {
    this.controls = [];
    this.fields.replaceChildren();
    const kinds = Object.entries(this.model.words.kinds).filter(([, kind]) => kind.plays === this.made?.plays);
    const source = h("div", { class: "source" });
    this.kinds = picker("Kind of lane", kinds.map(([name, kind]) => [name, `${name}: ${kind.says}`]), (kind) => this.within.become(kind));
    this.add(this.kinds, () => this.kind);
    this.fields.append(source);
    (SOURCES[this.kind] ?? parts)(this, source);
    const row = h("div", { class: "field-row" });
    this.fields.append(row);
    if (this.made?.moved) {
      this.add(picker("Step length", [...this.model.words.rates.map((r) => [r, r]), ...this.others("hits").map((n) => [n, `hits of ${n}`])], (v) => {
        const key = v.includes("/") || v.includes(":") ? "rate" : "advance", other = key === "rate" ? "advance" : "rate";
        return this.edit([...(this.lane[other] === undefined ? [] : [{ path: ["lanes", this.name, other], value: null }]), { path: ["lanes", this.name, key], value: v }]);
      }), (lane) => lane.advance ?? lane.rate ?? "1/16", row);
    }
    const fits = this.model.outputs.filter((o) => this.made?.outputs.includes(o.kind));
    this.add(picker("Out", [["", "none: a helper for others"], ...fits.map((o) => [o.output, `${o.output}${o.cable ? `, ${o.cable}` : ""}${o.lanes.length && !o.lanes.includes(this.name) ? ` (${o.lanes.join(", ")})` : ""}`])],
      (v) => this.put("out", v || null)), (lane) => lane.out ?? "", row);
    this.buildFaders();
    if (!this.isHits) buildPitch(this);
    buildOrder(this);
    if (!this.isHits) {
      const part = drivesPart(this.model, (drives) => this.put("drives", drives.length ? drives : null), { least: 0, self: this.name });
      this.fields.append(h("details", {}, h("summary", { text: "Drives: what else it moves" }), part.el));
      this.controls.push({ update: (lane) => part.update(lane.drives ?? []) });
    }
    this.fields.append(varyPart(this));
  }

  /** Its kind, as the service describes it. */
  get made() { return this.model.words.kinds[this.kind]; }

  get isHits() { return this.made?.plays === "hits"; }

  /** Other lanes of hits or of values, or all of them. @param {"hits"|"values"|"all"} what */
  others(what) {
    const { lanes } = this.model.data;
    return Object.keys(lanes).filter((n) => n !== this.name && (what === "all" || playsHits(this.model.words, lanes[n]) === (what === "hits")));
  }

  buildFaders() {
    const settings = Object.entries(this.model.words.settings).filter(([key, s]) => s.kinds.includes(this.kind) && !["hits", "steps"].includes(key) && !(this.kind === "euclid" && key === "rotate"));
    const grid = h("div", { class: "faders" }), more = h("div", { class: "faders" });
    for (const [key, s] of settings) {
      const value = (lane) => (typeof lane[key] === "number" ? lane[key] : this.app.store.state.lanes[this.name]?.settings?.[key] ?? s.start);
      const field = fader({ ...s, name: key }, (v) => this.put(key, v)), drivers = h("small", { class: "drivers" });
      field.el.append(drivers);
      this.add(field, value, s.main ? grid : more);
      this.controls.push({ update: () => text(drivers, driversOf(this.model.data, this.name, key).map((one) => `moved by ${one}`).join(", ")) });
    }
    this.fields.append(grid);
    if (more.children.length) this.fields.append(h("details", {}, h("summary", { text: "More settings" }), more));
  }

  /** The lanes that this one follows from, then itself. */
  drawn() {
    const ink = this.trial ?? this.app.ink;
    const causes = new Set((ink.traces.get(this.name)?.hits ?? []).flatMap((m) => m.c));
    const order = Object.keys(this.model.data.lanes);
    const text = namesIn(this.model.words, this.lane).map(([, name]) => name).join(" ");
    return [...order.filter((n) => n !== this.name && (causes.has(n) || new RegExp(`(?<![\\w-])${n}(?![\\w-])`).test(text))), this.name];
  }

  size() {
    const lanes = this.drawn();
    const height = 22 + lanes.length * ROW;
    this.strip.style.height = `${height}px`;
    Object.assign(this.chart, { lanes, row: ROW, ruler: 22, named: true });
    if (this.strip.clientWidth) this.chart.size(this.strip.clientWidth, height);
  }

  /** The music has come near the end of what the trial shows: ask for more of it. */
  async goOn(tick, bar) {
    if (!this.trial || !this.further || this.asking || this.trial.to - tick > Math.max(bar, Math.min(this.ahead(), 3 * bar))) return;
    this.asking = true;
    try { await this.further(); } finally { this.asking = false; }
  }

  ahead() { return aheadOf(this.chart.width, meter(this.app.store.state).bar, this.app.play.still.matches); }

  themed() { this.chart.theme(); }

  frame(now) {
    const { store, pen, ink } = this.app;
    const { bar, beat } = meter(store.state);
    if (Math.floor(now / 500) !== this.checked) {
      this.checked = Math.floor(now / 500);
      if (this.drawn().join() !== this.chart.lanes.join()) this.size();
      this.goOn(pen.at(now), bar);
    }
    this.chart.draw({ tick: pen.at(now), running: pen.running, ink: this.trial ?? ink, state: store.state, still: this.app.play.still.matches, bar, beat });
  }
}
