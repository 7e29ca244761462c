/** What belongs to the set as a whole: tempo, swing, key, seed; and its sections. */

import { button, h, say } from "./dom.js";
import { fader, labelled, picker, stepper } from "./fields.js";

const ROOTS = ["C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B"];

export class WholeEditor {
  /** @param {string} name @param {any} app @param {import("./set.js").SetModel} model
   * @param {(edits: any[], when?: string) => Promise<boolean>} attempt */
  constructor(name, app, model, attempt) {
    this.app = app; this.model = model; this.attempt = attempt;
    const put = (key) => (value) => attempt([{ path: [].concat(key), value }], "bar");
    this.title = /** @type {HTMLInputElement} */ (h("input", { type: "text", class: "title", "aria-label": "Name of the set", maxlength: "80" }));
    this.title.addEventListener("change", () => { if (this.title.value.trim()) attempt([{ path: ["set"], value: this.title.value.trim() }]); });
    this.tempo = fader({ name: "tempo", low: 20, high: 400, unit: "BPM" }, put("tempo"));
    this.swing = fader({ name: "swing", low: 50, high: 75, unit: "percent" }, put("swing"));
    this.seed = stepper("Seed of all chance", { low: 0, high: 9999, set: put("seed") });
    this.root = picker("Root", ROOTS.map((r) => [r, r]), put(["key", "root"]));
    this.scale = picker("Scale", Object.keys(model.words.scales).map((s) => [s, s]), put(["key", "scale"]));
    this.sections = h("div", { class: "drives" });
    const fresh = /** @type {HTMLInputElement} */ (h("input", { type: "text", autocapitalize: "none", autocomplete: "off", spellcheck: "false", maxlength: "32" }));
    const keep = button("Keep what plays now", async () => {
      if (!fresh.value) { fresh.focus(); return; }
      if (await attempt([{ path: ["sections", fresh.value], value: this.now() }])) { say(`${fresh.value} is kept as a section.`); fresh.value = ""; }
    });
    this.el = h("article", { "aria-label": "The whole set" }, h("div", { class: "title-row" }, this.title),
      h("div", { class: "fields" },
        h("div", { class: "faders" }, this.tempo.el, this.swing.el),
        h("div", { class: "field-row" }, this.root.el, this.scale.el, this.seed.el),
        h("h3", { text: "Sections" }), this.sections,
        h("div", { class: "with-button" }, labelled("A new section, or one to take anew", fresh, "Keeps which lanes are in and where the macros stand."), keep)));
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
    this.seed.update(data.seed ?? 0);
    this.root.update(data.key?.root ?? "C");
    this.scale.update(typeof data.key?.scale === "string" ? data.key.scale : data.key ? "a list of degrees" : "chromatic");
    this.sections.replaceChildren(...Object.entries(data.sections ?? {}).map(([name, section]) => this.row(name, section)));
  }

  row(name, section) {
    const field = /** @type {HTMLInputElement} */ (h("input", { type: "text", ".value": name, "aria-label": `Name of section ${name}`, autocapitalize: "none", spellcheck: "false", maxlength: "32" }));
    field.addEventListener("change", () => { if (field.value && field.value !== name) this.attempt([{ path: ["sections", name], rename: field.value }]); });
    const plays = section.play === "all" ? "all lanes" : Array.isArray(section.play) ? section.play.join(", ") : "mutes as they are";
    return h("div", { class: "drive section-row" }, field, h("small", { text: plays }),
      button("Remove", async () => { if (await this.attempt([{ path: ["sections", name], value: null }])) say(`${name} is removed. Undo brings it back.`); }, { "aria-label": `Remove section ${name}` }));
  }
}
