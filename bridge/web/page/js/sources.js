/** The sources a lane can have, each with the fields that say it. `edit` is the lane's editor. */

import { h } from "./dom.js";
import { degreeMoved, degreeOf, degreeShown, keyOf, soundOf } from "./degrees.js";
import { picker, stepper } from "./fields.js";
import { toggle } from "./forms.js";
import { columns, stepGrid } from "./grids.js";
import { noteName } from "./ink.js";
import { at } from "./kinds.js";
import { logic } from "./logic.js";

/** @typedef {import("./lane-edit.js").LaneEditor} LaneEditor */

/** @param {LaneEditor} edit */
function euclid(edit, into) {
  const row = h("div", { class: "field-row" });
  into.append(row);
  const set = (key) => (v) => edit.put(["euclid", key], v);
  edit.add(stepper("Hits", { low: 0, high: 64, set: set("hits") }), (l) => l.euclid?.hits, row);
  edit.add(stepper("Steps", { low: 1, high: 64, set: set("steps") }), (l) => l.euclid?.steps, row);
  edit.add(stepper("Rotate", { low: -64, high: 64, set: set("rotate") }), (l) => l.euclid?.rotate ?? 0, row);
  const fill = h("div", { class: "field-row" });
  const part = (key) => (v) => edit.put(["euclid", "fill", key], v);
  const on = toggle("A fill now and then", (yes) => edit.put(["euclid", "fill"], yes ? { hits: 3, length: Math.min(4, edit.lane.euclid.steps), every: 4 } : null));
  edit.add(on, (l) => l.euclid?.fill);
  edit.fields.append(fill);
  edit.add(stepper("Hits of the fill", { low: 0, high: 64, set: part("hits") }), (l) => l.euclid?.fill?.hits ?? 0, fill);
  edit.add(stepper("Last steps", { low: 1, high: 64, set: part("length") }), (l) => l.euclid?.fill?.length ?? 1, fill);
  edit.add(stepper("Every so many passes", { low: 1, high: 64, set: part("every") }), (l) => l.euclid?.fill?.every ?? 4, fill);
  edit.controls.push({ update: (l) => { fill.hidden = !l.euclid?.fill; } });
}

function steps(edit, into) {
  const { settings } = edit.model.words;
  const own = (key) => (typeof edit.lane[key] === "number" ? edit.lane[key] : settings[key].start);
  edit.add(stepGrid((v) => edit.put("steps", v), settings, () => Object.fromEntries(Object.keys(settings).map((key) => [key, own(key)]))), (l) => l.steps, into);
}

/** The fields of a source that is made of numbers, words and names of lanes. @param {LaneEditor} edit */
export function parts(edit, into) {
  const { kinds } = edit.model.words, kind = kinds[edit.kind];
  if (!kind) return;
  if (!kind.parts.length) into.append(h("p", { text: `${kind.says[0].toUpperCase()}${kind.says.slice(1)}.` }));
  const row = h("div", { class: "field-row" });
  into.append(row);
  for (const part of kind.parts) {
    const put = (v) => edit.put(part.keys, v === "" ? null : v), read = (l) => at(l, part.keys) ?? "";
    if (part.takes === "whole") { edit.add(stepper(part.label, { low: part.low, high: part.high, set: put }), read, row); continue; }
    const choices = part.takes === "word" ? part.words : edit.others(/** @type {any} */ (part.takes));
    edit.add(picker(part.label, [...(part.optional ? [["", "never"]] : []), ...choices.map((c) => [c, c])], put), read, row);
  }
}

/** The names of the twelve notes in the key of what is edited: the set's, or a section's. */
function spelling(edit) {
  const { section_note_names: own, note_names: plays } = edit.app.store.state;
  return own?.[edit.within.section ?? ""] ?? own?.[""] ?? plays;
}

function notes(edit, into) {
  let key = keyOf(edit.model, edit.lane, edit.within.section);
  let low = 20, high = 96;
  const named = (n) => noteName(n, spelling(edit)), sounds = (v) => soundOf(v, key);
  const kind = {
    caption: "Note", px: 13, fresh: "A2",
    show: (v) => (degreeOf(v) ? degreeShown(v) : sounds(v) === null ? (v === "-" ? "tie" : "rest") : named(sounds(v))),
    place: (v) => { const n = sounds(v); return n === null ? null : Math.min(1, Math.max(0.03, (n - low) / (high - low))); },
    rest: (v) => (sounds(v) === null ? "A2" : "."),
    move: (v, steps) => {
      if (degreeOf(v)) return degreeMoved(v, steps, key);
      const allowed = new Set(key.scale.map((d) => (d + key.root) % 12));
      let n = sounds(v);
      if (n === null) n = 57;
      for (let left = Math.abs(steps); left > 0 && n > 0 && n < 127;) { n += Math.sign(steps); if (allowed.has(((n % 12) + 12) % 12)) left--; }
      const name = named(n);
      return v !== null && typeof v === "object" ? { ...v, note: name } : name;
    },
  };
  into.append(h("small", { text: "Drag up and down, in the key of the set; what begins with ^ is a degree of the key. Touch it twice for a rest." }));
  edit.add(columns(kind, (v) => edit.put("notes", v)), (l) => {
    key = keyOf(edit.model, l, edit.within.section);
    const numbers = (l.notes ?? []).map(sounds).filter((n) => n !== null);
    low = (numbers.length ? Math.min(...numbers) : 48) - 7; // an octave or so around what is there
    high = Math.max(...numbers, low + 19) + 7;
    return l.notes ?? [];
  }, into);
}

function levels(edit, into) {
  const kind = {
    caption: "Level", px: 6, fresh: 0.5,
    show: (v) => (typeof v === "number" ? v.toFixed(2) : "rest"),
    place: (v) => (typeof v === "number" ? Math.min(1, Math.max(0, v)) : null),
    rest: (v) => (typeof v === "number" ? "." : 0.5),
    move: (v, steps) => Math.round(Math.min(1, Math.max(-1, (typeof v === "number" ? v : 0.5) + steps * 0.05)) * 100) / 100,
  };
  into.append(h("small", { text: "Drag up and down. Touch it twice for a rest." }));
  edit.add(columns(kind, (v) => edit.put("levels", v)), (l) => l.levels ?? [], into);
}

/** The kinds with a notation of their own; `parts` are the fields of all others.
 * @type {Record<string, (edit: LaneEditor, into: HTMLElement) => void>} */
export const SOURCES = { euclid, steps, logic, notes, levels };
