/** One section in the editor of the whole set: its name, what plays, and the tempo, swing and key
 * that it has of its own. */

import { h, say, tool } from "./dom.js";
import { picker } from "./fields.js";
import { entry } from "./forms.js";

export const ROOTS = ["C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B"];
const AS_SET = ["", "as the set has it"];

/**
 * @param {string} name @param {any} section as it is written
 * @param {import("./whole-edit.js").WholeEditor} whole
 */
export function sectionRow(name, section, whole) {
  const { model } = whole;
  const put = (key, value) => model.judge([{ path: ["sections", name, ...key], value }], "bar");
  const field = entry(`Name of section ${name}`, async (typed) => {
    const next = typed.trim();
    return next && next !== name ? model.judge([{ path: ["sections", name], rename: next }]) : [];
  }, { attrs: { maxlength: "32" } });
  field.update(name);
  const remove = async (force) => {
    const more = force ? null : { label: "Remove it all the same", act: () => remove(true) };
    if (await whole.attempt([{ path: ["sections", name], value: null, force }], "beat", more)) say(`${name} is removed. Undo brings it back.`);
  };
  const plays = section.play === "all" ? "all lanes" : Array.isArray(section.play) ? section.play.join(", ") : "mutes as they are";
  const number = (key, caption, hint) => {
    const made = entry(`${caption} of ${name}`, (typed) => {
      const said = typed.trim();
      if (said && !Number.isFinite(Number(said))) return [`${caption} is a number.`];
      return put([key], said ? Number(said) : null);
    }, { hint, attrs: { inputmode: "decimal", placeholder: "as the set" } });
    made.update(section[key] === undefined ? "" : String(section[key]));
    return made.el;
  };
  const choose = (key, caption, options) => {
    const made = picker(`${caption} of ${name}`, [AS_SET, ...options.map((one) => [one, one])], (value) => put(["key", key], value || null));
    made.update(typeof section.key?.[key] === "string" ? section.key[key] : "");
    return made.el;
  };
  const own = ["tempo", "swing", "key"].filter((key) => section[key] !== undefined);
  const details = /** @type {HTMLDetailsElement} */ (h("details", { class: "section-own" },
    h("summary", { text: own.length ? `Only in ${name}: ${own.join(", ")}` : `Tempo, swing and key only in ${name}` }),
    h("div", { class: "field-row" },
      number("tempo", "Tempo", "quarter notes a minute; empty: as it is"), number("swing", "Swing", `${model.words.settings.swing.low} to ${model.words.settings.swing.high} percent; empty: as the set`),
      choose("root", "Root", ROOTS), choose("scale", "Scale", Object.keys(model.words.scales)))));
  details.open = whole.opened.has(name);
  details.addEventListener("toggle", () => { if (details.open) whole.opened.add(name); else whole.opened.delete(name); });
  return h("div", { class: "drive section-row" }, field.el, h("small", { text: plays }), tool("Remove", () => remove(false), { "aria-label": `Remove section ${name}` }), details);
}
