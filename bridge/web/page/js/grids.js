/** Fields that are drawn on: columns of notes or levels, and steps. Each is `{el, update(value)}`. */

import { attr, h, say, text, tool } from "./dom.js";
import { judged, stepper } from "./fields.js";
import { merge3 } from "./merge.js";
import { drag, press } from "./press.js";
import { brief, stepPanel } from "./step-shape.js";

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
 * The foot of a hit opens it, to be shaped: how likely it is, how strong, how often, how long.
 * @param {(steps: string) => Promise<string[]>|any} send
 * @param {Record<string, any>} settings of lanes, as the service tells them
 * @param {() => Record<string, number>} lane what the lane itself has of them */
export function stepGrid(send, settings, lane) {
  /** @type {string[]} */
  let marks = [];
  /** @type {string[]} */
  let before = [];
  let brush = "", chosen = -1;
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
  const ownOf = (i) => marks[i]?.slice(2, -1) ?? "";
  const paint = (i) => {
    const cell = /** @type {HTMLElement} */ (grid.children[i]), [mark, foot] = /** @type {HTMLElement[]} */ ([...cell.children]);
    const sign = marks[i][0], own = ownOf(i);
    attr(mark, "data-mark", sign);
    attr(mark, "aria-label", `step ${i + 1}: ${WORDS[sign]}${own ? `, ${own}` : ""}`);
    text(/** @type {HTMLElement} */ (mark.firstChild), sign === "." ? "" : `${sign}${own ? "*" : ""}`);
    attr(foot, "aria-label", `Shape step ${i + 1}${own ? `: ${own}` : ""}`);
    attr(foot, "aria-disabled", sign === "." ? "true" : null);
    attr(foot, "aria-expanded", i === chosen);
    text(foot, brief(own));
  };
  const paintAll = () => marks.forEach((_, i) => paint(i));
  const open = () => panel.show(marks[chosen] && marks[chosen][0] !== "." ? chosen : -1, ownOf(chosen), lane());
  /** Opens a step, or closes the one that is open. */
  const choose = (i) => {
    chosen = i === chosen ? -1 : i;
    paintAll();
    open();
    // As much of the panel as there is room for, and the step in any case.
    if (chosen >= 0) for (const el of [panel.el, grid.children[chosen]]) el.scrollIntoView({ block: "nearest" });
  };
  /** A step with another mark; as long as it hits it keeps what it has of its own. */
  const put = (i, mark) => {
    marks[i] = mark === "." ? mark : mark + marks[i].slice(1);
    paint(i);
    if (i === chosen) open();
  };
  const grouped = (steps = marks) => steps.map((step, i) => (i && i % 4 === 0 ? ` ${step}` : step)).join("");
  const build = () => {
    grid.replaceChildren(...marks.map((_, i) => {
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
      return h("div", { class: "step-cell" }, el, tool("", () => choose(i), { class: "k tool foot" }));
    }));
    paintAll();
  };
  const count = stepper("Steps", { low: 1, high: 64, set(n) { marks = Array.from({ length: n }, (_, i) => marks[i % marks.length]); build(); commit(); } });
  const panel = stepPanel(settings, (inside) => {
    const next = marks[chosen][0] + (inside ? `(${inside})` : "");
    return next === marks[chosen] ? [] : send(grouped(marks.map((step, i) => (i === chosen ? next : step))));
  });
  box.append(panel.el, h("div", { class: "field-row" }, count.el));
  function show(next) {
    const same = next.length === marks.length;
    base = [...next];
    marks = [...next];
    theirs = null;
    if (chosen >= next.length) chosen = -1;
    if (same) paintAll();
    else build();
    open();
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
