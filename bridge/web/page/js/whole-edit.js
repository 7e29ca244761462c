/** What belongs to the set as a whole: tempo, swing, key, seed; and its sections. */

import { arrange, h, say, tool } from "./dom.js";
import { fader, judged, labelled, picker, stepper } from "./fields.js";
import { entry, words } from "./forms.js";
import { ROOTS, sectionRow } from "./section-row.js";
import { timeline } from "./timeline.js";

export class WholeEditor {
  /** @param {string} name @param {any} app @param {import("./set.js").SetModel} model
   * @param {import("./set.js").Attempt} attempt */
  constructor(name, app, model, attempt) {
    this.app = app; this.model = model; this.attempt = attempt;
    const { whole } = model.words;
    const put = (key) => (value) => model.judge([{ path: [].concat(key), value }], "bar");
    this.title = words({ class: "title", "aria-label": "Name of the set", maxlength: "80" });
    const head = h("div", {}, h("div", { class: "title-row" }, this.title)), named = judged(head, this.title);
    this.title.addEventListener("change", () => { if (this.title.value.trim()) named.hear(model.judge([{ path: ["set"], value: this.title.value.trim() }])); });
    this.meter = entry("Bar", put("meter"), { hint: "beats and their note value, as 4/4 or 7/8" });
    this.tempo = fader({ name: "tempo", ...whole.tempo }, put("tempo"));
    this.swing = fader({ name: "swing", ...whole.swing }, put("swing"));
    this.pairs = picker("Swing bends", [["1/16", "sixteenths"], ["1/8", "eighths"]], (value) => put("swing_of")(value === "1/16" ? null : value));
    this.groove = entry("Groove", (typed) => {
      const late = typed.split(/[\s,]+/).filter(Boolean).map(Number);
      return late.every(Number.isFinite) ? put("groove")(late.length ? late : null) : ["Numbers with a space between."];
    }, { hint: "how late each sixteenth is, in percent of one; below 0 early; empty: straight", attrs: { placeholder: "0 8 -3 12" } });
    this.seed = stepper("Random seed", { ...whole.seed, set: put("seed") });
    this.root = picker("Root", ROOTS.map((r) => [r, r]), put(["key", "root"]));
    this.scale = picker("Scale", Object.keys(model.words.scales).map((s) => [s, s]), put(["key", "scale"]));
    this.sections = h("div", { class: "drives" });
    /** The sections whose own tempo, swing and key are shown. @type {Set<string>} */
    this.opened = new Set();
    /** @type {Map<string, {shape: string, el: HTMLElement}>} */
    this.rows = new Map();
    this.sections.addEventListener("focusout", () => setTimeout(() => this.update()));
    const fresh = words({ maxlength: "32", placeholder: this.free() });
    this.fresh = fresh;
    const field = labelled("A new section, or one to take anew", fresh, "Keeps which lanes are in and where the macros stand.");
    const said = judged(field, fresh);
    const keep = tool("Keep what plays now", async () => {
      const name = fresh.value.trim() || this.free();
      if (await said.hear(model.judge([{ path: ["sections", name], value: this.now() }]))) { say(`${name} is kept as a section.`); fresh.value = ""; }
    });
    // The revision asks for nothing: it only makes the picture of another text another one.
    this.form = timeline("the set before it is played", () => `api/form.svg#${model.revision}`);
    this.el = h("article", { "aria-label": "The whole set" }, head,
      h("div", { class: "fields" },
        h("div", { class: "faders" }, this.tempo.el, this.swing.el),
        h("div", { class: "field-row" }, this.root.el, this.scale.el, this.meter.el, this.seed.el),
        h("div", { class: "field-row" }, this.pairs.el, this.groove.el),
        h("h3", { text: "Sections" }), this.sections,
        h("div", { class: "with-button" }, field, keep),
        h("h3", { text: "Form" }),
        h("p", { text: "How the set goes over its running order, or else over its sections one after another: what is new, what repeats, what is muted." }),
        h("div", { class: "row-wrap" }, this.form.button), this.form.figure));
  }

  /** A name that no section has yet, for those who do not care. */
  free() {
    const taken = this.model.data.sections ?? {};
    for (let n = 1; ; n++) if (!(`section-${n}` in taken)) return `section-${n}`;
  }

  /** The present state as a section is written. */
  now() {
    const { lanes, macros } = this.app.store.state;
    const play = Object.keys(lanes).filter((name) => !(lanes[name].under ?? lanes[name].muted));
    return {
      play: play.length === Object.keys(lanes).length ? "all" : play,
      macros: Object.fromEntries(Object.entries(macros).map(([name, m]) => [name, Math.round(m.value * 1000) / 1000])),
    };
  }

  update() {
    const { data } = this.model;
    if (document.activeElement !== this.title) this.title.value = data.set ?? "";
    this.tempo.update(data.tempo ?? 120);
    this.swing.update(data.swing ?? 50);
    this.pairs.update(data.swing_of ?? "1/16");
    this.groove.update((data.groove ?? []).join(" "));
    this.seed.update(data.seed ?? 0);
    this.root.update(data.key?.root ?? "C");
    this.scale.update(typeof data.key?.scale === "string" ? data.key.scale : data.key ? "a list of degrees" : "chromatic");
    this.meter.update(data.meter ?? "4/4");
    this.fresh.placeholder = this.free();
    this.form.update();
    if (this.sections.querySelector("[aria-invalid=true]")) return; // what was typed stays
    const old = this.rows;
    this.rows = new Map(Object.entries(data.sections ?? {}).map(([name, section]) => {
      const shape = JSON.stringify(section), kept = old.get(name);
      // A row that somebody works in stays as it is until they have left it.
      const stays = kept && (kept.shape === shape || kept.el.contains(document.activeElement));
      return [name, stays ? kept : { shape, el: sectionRow(name, section, this) }];
    }));
    arrange(this.sections, [...this.rows.values()].map((row) => row.el));
  }
}
