/** Fields that are drawn on: columns of notes or levels, and steps. Each is `{el, update(value)}`. */

import { attr, h, say, text, tool } from "./dom.js";
import { judged, stepper } from "./fields.js";
import { entry } from "./forms.js";
import { merge3 } from "./merge.js";
import { drag, press } from "./press.js";

/** Columns that are dragged up and down: notes or levels. Each column is a slider of its own.
 * @param {{caption: string, show: (v: any) => string, place: (v: any) => number|null, move: (v: any, steps: number) => any, rest: (v: any) => any, fresh: any, px: number}} kind
 * @param {(values: any[]) => any} send */
export function columns(kind, send) {
  /** As drawn here, and as they were told last. @type {any[]} */
  let values = [], base = [];
  /** What was told while a finger was drawing. @type {any[]|null} */
  let theirs = null;
  let later = 0; // a change by keys is told a little later
  const row = h("div", { class: "columns", role: "group", "aria-label": kind.caption });
  const box = h("div", {});
  const said = judged(box, row);
  const commit = () => {
    clearTimeout(later);
    later = 0;
    const { value, conflict } = merge3(base, values, theirs ?? base);
    if (conflict) say("Another editor changed the same just now: that stands, and yours was not taken.");
    if (theirs) show(value);
    if (!conflict) said.hear(send([...value]));
  };
  const build = () => row.replaceChildren(...values.map((_, i) => column(i)));
  const put = (i, value, done) => {
    values[i] = value;
    paint(/** @type {HTMLElement} */ (row.children[i]), value, i);
    if (done) commit();
  };
  const paint = (el, value, i) => {
    const place = kind.place(value);
    el.style.setProperty("--v", String(place ?? 0));
    attr(el, "data-rest", place === null ? "yes" : null);
    text(/** @type {HTMLElement} */ (el.lastChild), kind.show(value));
    attr(el, "aria-valuenow", place === null ? 0 : Math.round(place * 100));
    attr(el, "aria-valuetext", place === null ? "rest" : kind.show(value));
    attr(el, "aria-label", `${kind.caption} ${i + 1}`);
  };
  const column = (i) => {
    const el = h("div", { class: "column", role: "slider", tabindex: "0", "aria-orientation": "vertical", "aria-valuemin": "0", "aria-valuemax": "100" }, h("i"), h("span"));
    paint(el, values[i], i);
    let start = null, moved = false;
    drag(el, {
      begin() { start = values[i]; moved = false; },
      move(finger) {
        const steps = Math.round((finger.y0 - finger.y) / kind.px);
        if (steps) moved = true;
        if (moved) put(i, kind.move(start, steps), false);
      },
      end(finger, givenUp) {
        if (givenUp) put(i, start, false);
        else if (moved) commit();
        else if (theirs) show(theirs);
      },
    });
    el.addEventListener("dblclick", () => put(i, kind.rest(values[i]), true));
    el.addEventListener("keydown", (event) => {
      const steps = { ArrowUp: 1, ArrowRight: 1, ArrowDown: -1, ArrowLeft: -1, PageUp: 5, PageDown: -5 }[event.key];
      if (steps) put(i, kind.move(values[i], steps), false);
      else if (event.key === "Delete" || event.key === ".") put(i, kind.rest(values[i]), false);
      else return;
      event.preventDefault();
      clearTimeout(later);
      later = window.setTimeout(commit, 350);
    });
    return el;
  };
  const more = tool("+", () => { values.push(values.at(-1) ?? kind.fresh); build(); commit(); }, { "aria-label": `${kind.caption}: one more` });
  const less = tool("−", () => { if (values.length > 1) { values.pop(); build(); commit(); } }, { "aria-label": `${kind.caption}: one less` });
  box.prepend(h("div", { class: "columned" }, row, h("div", { class: "side" }, more, less)));
  const show = (next) => {
    const same = next.length === values.length;
    base = [...next];
    values = [...next];
    theirs = null;
    if (same) [...row.children].forEach((el, i) => paint(/** @type {HTMLElement} */ (el), values[i], i));
    else build();
  };
  return {
    el: box,
    update(next) {
      if (row.querySelector(".held") || later || said.kept) theirs = [...next];
      else show(next);
    },
  };
}

/** A written pattern step by step: a mark, and what the step has of its own in parentheses. */
const stepsOf = (text) => String(text ?? "").match(/[xX.]\s*(\([^)]*\))?/g)?.map((step) => step.trim()) ?? [];

/** Steps by touch: rest, hit, accented hit. A finger drawn across paints what the first touch made.
 * The step that was touched last can be shaped: how likely it is, how often, how strong it hits. */
export function stepGrid(send) {
  /** @type {string[]} */
  let marks = [];
  /** @type {string[]} */
  let before = [];
  let brush = "", last = -1;
  const grid = h("div", { class: "steps", role: "group", "aria-label": "Steps" });
  const box = h("div", {}, grid);
  const said = judged(box, grid);
  /** @type {string[]} */
  let base = [];
  /** @type {string[]|null} */
  let theirs = null;
  const commit = () => {
    const { value, conflict } = merge3(base, marks, theirs ?? base);
    if (conflict) say("Another editor changed the same just now: that stands, and yours was not taken.");
    if (theirs !== null) show(value);
    if (!conflict) said.hear(send(grouped()));
  };
  const NEXT = { ".": "x", x: "X", X: "." };
  const WORDS = { ".": "rest", x: "hit", X: "accent" };
  const paint = (el, i) => {
    const mark = marks[i][0], own = marks[i].slice(2, -1);
    attr(el, "data-mark", mark);
    attr(el, "aria-label", `step ${i + 1}: ${WORDS[mark]}${own ? `, ${own}` : ""}`);
    text(/** @type {HTMLElement} */ (el.firstChild), mark === "." ? "" : `${mark}${own ? "*" : ""}`);
  };
  /** A step with another mark; as long as it hits it keeps what it has of its own. */
  const put = (i, mark) => {
    marks[i] = mark === "." ? mark : mark + marks[i].slice(1);
    paint(/** @type {HTMLElement} */ (grid.children[i]), i);
    touched(i);
  };
  const grouped = (steps = marks) => steps.map((step, i) => (i && i % 4 === 0 ? ` ${step}` : step)).join("");
  const build = () => grid.replaceChildren(...marks.map((_, i) => {
    const el = h("button", { type: "button", class: "step", "data-i": i }, h("span"));
    press(el, () => { before = [...marks]; brush = NEXT[marks[i][0]]; put(i, brush); }, (event) => {
      if (event?.type !== "pointercancel") commit();
      else if (theirs !== null) show(theirs);
      else show(before); // the finger scrolled
    });
    el.addEventListener("pointermove", (event) => {
      if (!el.classList.contains("down")) return;
      const over = /** @type {HTMLElement|null} */ (document.elementFromPoint(event.clientX, event.clientY)?.closest(".step"));
      if (over && grid.contains(over) && marks[Number(over.dataset.i)][0] !== brush) put(Number(over.dataset.i), brush);
    });
    paint(el, i);
    return el;
  }));
  const count = stepper("Steps", { low: 1, high: 64, set(n) { marks = Array.from({ length: n }, (_, i) => marks[i % marks.length]); build(); commit(); } });
  const own = entry("Step touched last has", (typed) => {
    const inside = typed.trim().replace(/^\(|\)$/g, "");
    if (last < 0 || last >= marks.length || marks[last][0] === ".") return inside ? ["Touch a hit first: a rest has nothing of its own."] : [];
    const next = marks[last][0] + (inside ? `(${inside})` : "");
    return next === marks[last] ? [] : send(grouped(marks.map((step, i) => (i === last ? next : step))));
  }, { hint: "as 60%, 3x, level 0.5, gate 2 or 1 of 4, with commas between; nothing: as the lane" });
  const touched = (i) => { last = i; own.update(marks[i]?.slice(2, -1) ?? ""); };
  box.append(h("div", { class: "field-row" }, count.el, own.el));
  function show(next) {
    const same = next.length === marks.length;
    base = [...next];
    marks = [...next];
    theirs = null;
    touched(last < next.length ? last : -1);
    if (same) [...grid.children].forEach((el, i) => paint(/** @type {HTMLElement} */ (el), i));
    else build();
    count.update(marks.length);
  }
  return {
    el: box,
    update(value) {
      const next = stepsOf(value);
      if (grid.querySelector(".down") || said.kept) theirs = next;
      else show(next);
    },
  };
}
