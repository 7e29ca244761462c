/** One macro in the editing view: what it drives, and how far. */

import { button, h, say } from "./dom.js";
import { fader, picker } from "./fields.js";
import { kindOf } from "./set.js";

const UNIT = { low: 0, high: 1, unit: "", whole: false };

export class MacroEditor {
  /** @param {string} name @param {any} app @param {import("./set.js").SetModel} model
   * @param {(edits: any[], when?: string) => Promise<boolean>} attempt @param {(what: string, name: string) => void} choose */
  constructor(name, app, model, attempt, choose) {
    this.name = name; this.model = model; this.attempt = attempt; this.choose = choose; this.app = app;
    this.drives = h("div", { class: "drives" });
    this.start = fader({ ...UNIT, name: "start" }, (v) => this.put("start", v));
    this.curve = fader({ ...UNIT, low: -1, name: "curve" }, (v) => this.put("curve", v));
    this.slew = fader({ ...UNIT, high: 5000, whole: true, unit: "ms", name: "slew_ms" }, (v) => this.put("slew_ms", v));
    const title = /** @type {HTMLInputElement} */ (h("input", { type: "text", class: "title", ".value": name, "aria-label": "Name of the macro", autocapitalize: "none", spellcheck: "false", maxlength: "32" }));
    title.addEventListener("change", async () => {
      const next = title.value.trim();
      if (next && next !== name && await attempt([{ path: ["macros", name], rename: next }])) choose("macro", next);
    });
    const remove = button("Remove", async () => {
      const edits = [{ path: ["macros", name], value: null }];
      for (const [section, s] of Object.entries(model.data.sections ?? {})) if (s.macros && name in s.macros) edits.push({ path: ["sections", section, "macros", name], value: null });
      if (await attempt(edits)) say(`${name} is removed. Undo brings it back.`);
    });
    this.el = h("article", { "aria-label": `Macro ${name}` }, h("div", { class: "title-row" }, title, remove),
      h("div", { class: "faders" }, this.start.el, this.curve.el, this.slew.el), h("h3", { text: "Drives" }), this.drives, this.addRow());
  }

  get macro() { return this.model.data.macros[this.name] ?? {}; }

  put(key, value) { return this.attempt([{ path: ["macros", this.name, key], value }]); }

  addRow() {
    const targets = [["", "choose"], ...this.model.outputs.filter((o) => ["pitch", "level"].includes(o.kind)).map((o) => [o.output, `${o.output}${o.cable ? `, ${o.cable}` : ""}`])];
    for (const [lane, written] of Object.entries(this.model.data.lanes)) {
      for (const [key, s] of Object.entries(this.model.words.settings)) if (s.kinds.includes(kindOf(written))) targets.push([`${lane} ${key}`, `${lane}: ${key.replaceAll("_", " ")}`]);
    }
    const pick = picker("Drive one more", targets, (v) => {
      if (!v) return;
      const [first, setting] = v.split(" ");
      const drive = setting ? { lane: first, setting, depth: 0.5 } : { out: first, depth: 0.5 };
      this.put("drives", [...(this.macro.drives ?? []), drive]);
      pick.update("");
    });
    return pick.el;
  }

  update() {
    const { start = 0, curve = 0, slew_ms = 0, drives = [] } = this.macro;
    this.start.update(start);
    this.curve.update(curve);
    this.slew.update(slew_ms);
    const key = drives.map((d) => JSON.stringify([d.out, d.lane, d.setting, d.from, d.to])).join();
    if (key !== this.shape) {
      this.shape = key;
      this.depths = drives.map((drive, i) => {
        const name = drive.out ? (drive.from !== undefined ? `${drive.out} from ${drive.from} to ${drive.to} V` : drive.out) : `${drive.lane} ${drive.setting}`;
        const change = (patch) => this.put("drives", this.macro.drives.map((d, j) => (j === i ? { ...d, ...patch } : d)));
        const depth = drive.from !== undefined ? null : fader({ ...UNIT, low: -1, name }, (v) => change({ depth: v }));
        const gone = button("Remove", () => { const left = this.macro.drives.filter((_, j) => j !== i); if (left.length) this.put("drives", left); else say("A macro drives at least one thing: remove the macro instead."); }, { "aria-label": `Remove ${name}` });
        return { depth, el: h("div", { class: "drive" }, depth?.el ?? h("span", { text: name }), gone) };
      });
      this.drives.replaceChildren(...this.depths.map((d) => d.el));
    }
    this.depths.forEach((d, i) => d.depth?.update(drives[i].depth ?? 1));
  }
}
