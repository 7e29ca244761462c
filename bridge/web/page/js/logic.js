/** The field of an expression over lanes: what it would play is shown while it is written, and every
 * word of the language is a chip that puts an example of itself in. */

import { h, say, text, tool } from "./dom.js";
import { judged, labelled } from "./fields.js";
import { Ink } from "./ink.js";

const PREVIEW_MS = 250;
const PREVIEW_BARS = 4; // the most that the service previews at once

/** @typedef {import("./lane-edit.js").LaneEditor} LaneEditor */

/** Whether the parentheses of a text close one another. */
function balanced(words) {
  let open = 0;
  for (const sign of words) {
    if (sign === "(") open++;
    if (sign === ")" && --open < 0) return false;
  }
  return open === 0;
}

/** An example with lanes of this set in the place of those it speaks of.
 * @param {import("./kinds.js").LogicWord} word @param {import("./kinds.js").Words} words
 * @param {string[]} lanes of hits @param {string[]} lines lanes of values @param {string} own */
function inThisSet(word, words, lanes, lines, own) {
  /** @type {Map<string, string>} */
  const meant = new Map();
  const used = { hits: 0, line: 0 };
  return word.example.replace(/([a-z][a-z-]*)(\()?/g, (all, name, opens, at) => {
    if (opens || name in words.operators) return all;
    const before = /([a-z-]+)\($/.exec(word.example.slice(0, at))?.[1] ?? "";
    const takes = words.functions[before]?.arguments[0], line = takes === "line";
    if (takes === "lane") return own; // what it did itself: the lane grows
    const pool = line ? lines : lanes;
    if (!pool.length) return all;
    if (!meant.has(name)) meant.set(name, pool.includes(name) ? name : pool[used[line ? "line" : "hits"]++ % pool.length]);
    return meant.get(name) ?? all;
  });
}

/** @param {LaneEditor} edit @param {HTMLElement} into */
export function logic(edit, into) {
  const field = /** @type {HTMLTextAreaElement} */ (h("textarea", { rows: "2", spellcheck: "false", autocapitalize: "none", class: "logic" }));
  const box = labelled("Sounds when", field);
  const said = judged(box, field);
  const use = tool("Use it", async () => { asked++; clearTimeout(later); if (await said.hear(edit.put("logic", field.value.trim()))) dirty = false; });
  let later = 0, dirty = false, asked = 0;
  const look = async (further = false) => {
    const mine = ++asked;
    if (field.value.trim() === edit.lane.logic) { dirty = false; edit.forget(); said.show([]); edit.size(); return; }
    try {
      const { problems, chart } = await edit.model.preview([{ path: ["lanes", edit.name, "logic"], value: field.value }], PREVIEW_BARS, edit.within.section);
      if (mine !== asked) return;
      said.show(problems.map((p) => p.message));
      if (!chart) return;
      const { pen, store } = edit.app;
      if (!further || !edit.trial) edit.trial = new Ink();
      edit.trial.add(chart, further ? pen.at(performance.now()) : chart.from, Object.keys(store.state.lanes));
      edit.further = () => look(true);
      text(edit.note, "This is how it would play; it does not yet.");
      edit.size();
    } catch (error) { said.show([String(/** @type {any} */ (error).message)]); }
  };
  field.addEventListener("input", () => { dirty = true; clearTimeout(later); later = window.setTimeout(() => look(), PREVIEW_MS); });
  field.addEventListener("keydown", (event) => { if (event.key === "Enter" && !event.shiftKey) { event.preventDefault(); use.click(); } });
  const put = (word, from, to) => {
    const before = field.value.slice(0, from), after = field.value.slice(to);
    const gap = before && !/[\s(]$/.test(before) && word !== ")" ? " " : "";
    field.value = `${before}${gap}${word} ${after.trimStart()}`;
    field.focus();
    field.selectionStart = field.selectionEnd = (before + gap + word).length + 1;
    field.dispatchEvent(new Event("input"));
  };
  const insert = (word) => put(word, field.selectionStart ?? field.value.length, field.selectionEnd ?? field.value.length);
  const { words, data } = edit.model;
  const lanes = edit.others("hits"), lines = edit.others("values");
  const chips = (caption, kids) => h("div", { class: "word-row", role: "group", "aria-label": caption }, ...kids);
  const function_ = (name, word) => {
    const lacks = word.arguments.includes("line") ? !lines.length : !lanes.length;
    const example = lacks ? word.example : inThisSet(word, words, lanes, lines, edit.name);
    return tool([h("b", { text: name }), h("small", { text: example })], () => {
      if (lacks) { say(`There is no lane of ${word.arguments.includes("line") ? "values" : "hits"} that it could read.`); return; }
      insert(example);
      say(`${word.example}: ${word.says}.`);
    }, { class: "k tool chip", "data-word": name, title: `${word.example}: ${word.says}` });
  };
  /** The opposite of what it plays, at once: hits where there was none, and none where there was one. */
  const over = tool("Invert", async () => {
    const now = edit.lane.logic ?? "", inner = /^not \((.*)\)$/.exec(now)?.[1];
    if (await said.hear(edit.put("logic", inner && balanced(inner) ? inner : `not (${now})`))) dirty = false;
  }, { title: "Hits where there was none, and none where there was one" });
  into.append(h("div", { class: "with-button" }, box, h("div", { class: "stack" }, use, over)),
    chips("Lanes", lanes.map((name) => tool(name, () => insert(name)))),
    chips("Operators", [...Object.entries(words.operators).map(([name, word]) => tool(name, () => insert(name), { "data-word": name, title: `${word.example}: ${word.says}` })), ...["(", ")"].map((sign) => tool(sign, () => insert(sign)))]),
    h("details", { ".open": data.lanes[edit.name]?.logic?.includes("(") }, h("summary", { text: "Functions, with an example each" }), chips("Functions", Object.entries(words.functions).map(([name, word]) => function_(name, word)))));
  edit.controls.push({ update: (lane) => { if (!dirty || field.value === lane.logic) { field.value = lane.logic ?? ""; dirty = false; } } });
}
