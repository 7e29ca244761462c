/** What a lane's editor shows beyond its source: the order of its steps, where it begins again, when
 * it sounds, and how its notes are tamed. `edit` is the lane's editor. */

import { h } from "./dom.js";
import { picker } from "./fields.js";
import { entry, rounds, toggle } from "./forms.js";
import { hasKey, isLed } from "./kinds.js";

/** @typedef {import("./lane-edit.js").LaneEditor} LaneEditor */

const RESETS = ["1", "2", "3", "4", "8", "16", "32"];

const numbers = (typed) => typed.split(/[\s,]+/).filter(Boolean).map(Number);
const same = (a, b) => JSON.stringify(a) === JSON.stringify(b);

/** A group of fields that can be folded; open where the lane says something there. */
function fold(edit, caption, keys, ...kids) {
  const open = keys.some((key) => edit.lane[key] !== undefined);
  const el = h("details", { ".open": open }, h("summary", { text: caption }), ...kids);
  edit.fields.append(el);
  return el;
}

/** Direction, reset, passes, groups, and what only some kinds of hits have. @param {LaneEditor} edit */
export function buildOrder(edit) {
  const row = h("div", { class: "field-row" }), marks = h("div", { class: "field-row" });
  const { words } = edit.model, has = (key) => hasKey(words, edit.kind, key);
  const keys = ["direction", "reset", "passes", "groups", "accents", "compare", "reads", "feel", "freeze", "muted", "share"];
  fold(edit, "Order, passes and groups", keys, row, marks);
  if (has("direction")) edit.add(picker("Direction", words.directions.map((d) => [d, d.replaceAll("-", " ")]), (v) => edit.put("direction", v === "forward" ? null : v)), (l) => l.direction ?? "forward", row);
  if (has("reset")) edit.add(picker(edit.kind === "shape" ? "Starts again" : "Back to its first step", [["", "only by hand"], ...RESETS.map((n) => [n, n === "1" ? "every bar" : `every ${n} bars`]), ...edit.others("hits").map((n) => [n, `at hits of ${n}`])],
    (v) => edit.put("reset", v === "" ? null : /^\d+$/.test(v) ? Number(v) : v)), (l) => (l.reset === undefined ? "" : String(l.reset)), row);
  edit.add(entry("Groups", (typed) => edit.put("groups", names(typed)), { hint: "names; lanes of a group are muted together" }), (l) => (l.groups ?? []).join(" "), row);
  if (has("passes")) {
    edit.add(rounds((v) => edit.put("passes", v)), (l) => l.passes, marks);
    edit.add(entry("Accents of their own", (typed) => edit.put("accents", typed.trim() || null), { hint: "X accented, x half as much, . not; comes round by itself", attrs: { placeholder: "X..x" } }), (l) => l.accents, marks);
  }
  if (has("compare")) {
    edit.add(picker("Hits meet", [["steps", "on the same step"], ["gates", "while gates overlap"]], (v) => edit.put("compare", v === "steps" ? null : v)), (l) => l.by ?? "steps", row);
  }
  if (has("reads")) {
    edit.add(picker("Reads its lanes", [["after-mute", "after their mutes"], ["before-mute", "before their mutes"]], (v) => edit.put("reads", v === "after-mute" ? null : v)), (l) => l.tap ?? "after-mute", row);
  }
  if (isLed(words, edit.lane, edit.model.data.lanes))
    edit.add(picker("Sounds", [["cause", "with the hit that causes it"], ["grid", "on the grid"]], (v) => edit.put("feel", v === "cause" ? null : v)), (l) => l.feel ?? "cause", row);
  if (has("freeze")) edit.add(toggle("Drift is frozen", (on) => edit.put("freeze", on || null)), (l) => l.freeze, marks);
  edit.add(toggle("Starts muted", (on) => edit.put("muted", on || null)), (l) => l.muted, marks);
  edit.add(toggle("Shares its output", (on) => edit.put("share", on || null)), (l) => l.share, marks);
}

/** Scale, chord, octaves, transposition of lanes of values. @param {LaneEditor} edit */
export function buildPitch(edit) {
  if (!hasKey(edit.model.words, edit.kind, "quantise")) return;
  const row = h("div", { class: "field-row" });
  fold(edit, "Scale, chord and octaves", ["quantise", "chord", "octaves", "transpose_by"], row);
  const scales = Object.keys(edit.model.words.scales);
  edit.add(picker("Nearest note of", [["", "as the kind has it"], ["key", "the set's key"], ["off", "none: as it comes"], ...scales.map((s) => [s, s])],
    (v) => edit.put("quantise", v.startsWith("[") ? JSON.parse(v) : v || null)), (l) => (Array.isArray(l.quantise) ? JSON.stringify(l.quantise) : l.quantise ?? ""), row);
  const chord = edit.kind === "arpeggio" ? ["Notes of the chord", "steps of the scale from the root; 1 3 5 7 is a seventh"] : ["Only these steps of the scale", "from 1; 1 3 5 is a chord"];
  edit.add(entry(chord[0], (typed) => list(edit, "chord", typed), { hint: chord[1], attrs: { placeholder: "1 3 5" } }), (l) => (l.chord ?? []).join(" "), row);
  edit.add(entry("Octaves, lowest and highest", (typed) => list(edit, "octaves", typed), { hint: "from -1 to 9", attrs: { placeholder: "2 4" } }), (l) => (l.octaves ?? []).join(" "), row);
  edit.add(picker("Transposed by", [["", "no lane"], ...edit.others("values").map((n) => [n, n])], (v) => edit.put("transpose_by", v || null)), (l) => l.transpose_by ?? "", row);
}

function names(typed) {
  const all = typed.split(/[\s,]+/).filter(Boolean);
  return all.length ? all : null;
}

/** @returns {Promise<string[]>|string[]} */
function list(edit, key, typed) {
  const value = numbers(typed);
  if (value.some((n) => !Number.isInteger(n))) return ["Whole numbers with a space between."];
  if (same(value, edit.lane[key] ?? [])) return [];
  return edit.put(key, value.length ? value : null);
}
