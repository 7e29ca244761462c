/** One macro in the editing view: what it drives, and how far. */

import { h, say, tool } from "./dom.js";
import { fader, judged } from "./fields.js";
import { curvePicker } from "./curves.js";
import { drivesPart } from "./drives.js";
import { words } from "./forms.js";

const UNIT = { low: 0, high: 1, unit: "", whole: false };

export class MacroEditor {
  /** @param {string} name @param {any} app @param {import("./set.js").SetModel} model
   * @param {import("./set.js").Attempt} attempt @param {(what: string, name: string) => void} choose */
  constructor(name, app, model, attempt, choose) {
    this.name = name; this.model = model; this.app = app;
    this.start = fader({ ...UNIT, name: "start" }, (v) => this.put("start", v));
    this.curve = curvePicker("Curve", (v) => this.put("curve", v), false);
    this.slew = fader({ ...UNIT, high: 5000, whole: true, unit: "ms", name: "slew_ms" }, (v) => this.put("slew_ms", v));
    this.drives = drivesPart(model, (drives) => this.put("drives", drives), { least: 1, macro: name });
    const title = words({ class: "title", ".value": name, "aria-label": "Name of the macro", maxlength: "32" });
    const remove = async (force) => {
      const more = force ? null : { label: "Remove it all the same", act: () => remove(true) };
      const taken = await attempt([{ path: ["macros", name], value: null, force }], "beat", more);
      if (taken) say(`${name} is removed${taken.also?.length ? `, and ${taken.also.join(", ")}` : ""}. Undo brings it back.`);
    };
    const head = h("div", {}, h("div", { class: "title-row" }, title, tool("Remove", () => remove(false))));
    const said = judged(head, title);
    title.addEventListener("change", async () => {
      const next = title.value.trim();
      if (next === name || !next) { title.value = name; said.show([]); return; }
      if (await said.hear(model.judge([{ path: ["macros", name], rename: next }]))) choose("macro", next);
    });
    this.el = h("article", { "aria-label": `Macro ${name}` }, head,
      h("div", { class: "faders" }, this.start.el, this.slew.el), this.curve.el, h("h3", { text: "Drives" }), this.drives.el);
  }

  get macro() { return this.model.data.macros[this.name] ?? {}; }

  /** @returns {Promise<string[]>} */
  put(key, value) { return this.model.judge([{ path: ["macros", this.name, key], value }]); }

  update() {
    const { start = 0, curve = 0, slew_ms = 0, drives = [] } = this.macro;
    this.start.update(start);
    this.curve.update(curve, curve);
    this.slew.update(slew_ms);
    this.drives.update(drives);
  }
}
