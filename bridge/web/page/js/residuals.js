/** How far each note is off, in cents, before and after: two traces on one strip. Lines and marks are
 * drawn; colours come from the style sheet, so that both themes fit. */

import { h } from "./dom.js";

const SVG = "http://www.w3.org/2000/svg";
const WIDTH = 720, HEIGHT = 220, LEFT = 58, RIGHT = 16, TOP = 16, FOOT = 30;

const draw = (tag, attrs = {}, words = "") => {
  const el = document.createElementNS(SVG, tag);
  for (const [key, value] of Object.entries(attrs)) el.setAttribute(key, String(value));
  if (words) el.textContent = words;
  return el;
};

/** The next round number of cents above what must be shown. */
export function reach(most) {
  for (const step of [2, 5, 10, 20, 50, 100, 200, 500, 1200, 2400]) if (most <= step) return step;
  return Math.ceil(most / 1200) * 1200;
}

/** @param {string[]} traces which of "before" and "after" @param {string} words beside the key */
export function residualStrip(traces = ["before", "after"], words = "cents off at each note; 0 is in tune") {
  const svg = /** @type {any} */ (draw("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: "img", class: "residuals" }));
  const key = h("p", { class: "key" }, ...traces.map((trace) => h("span", { class: `key-${trace}`, text: trace })), h("small", { text: words }));
  const el = h("figure", { class: "residual-strip" }, svg, key);
  return {
    el,
    /** @param {{note: number, name: string}[]} notes @param {any} result */
    update(notes, result) {
      const rows = result?.rows ?? [];
      key.hidden = !rows.length;
      const most = reach(Math.max(1, ...rows.flatMap((r) => traces.map((trace) => Math.abs(r[trace])))));
      const low = Math.min(...notes.map((n) => n.note)), high = Math.max(...notes.map((n) => n.note), low + 1);
      const x = (note) => LEFT + 14 + ((note - low) / (high - low)) * (WIDTH - LEFT - RIGHT - 28);
      const y = (cents) => TOP + (1 - (cents + most) / (2 * most)) * (HEIGHT - TOP - FOOT);
      const kids = [];
      for (const at of [-most, 0, most]) {
        kids.push(draw("line", { x1: LEFT, x2: WIDTH - RIGHT, y1: y(at), y2: y(at), class: at ? "edge" : "zero" }));
        kids.push(draw("text", { x: LEFT - 8, y: y(at) + 5, class: "scale" }, at > 0 ? `+${at}` : at < 0 ? `−${-at}` : "0"));
      }
      for (const { note, name } of notes) kids.push(draw("text", { x: x(note), y: HEIGHT - 8, class: "note" }, name));
      if (!rows.length) kids.push(draw("text", { x: (LEFT + WIDTH) / 2, y: y(0) - 12, class: "none" }, "no result yet"));
      for (const which of traces) {
        const path = rows.filter((r) => !r.left_out).map((r, i) => `${i ? "L" : "M"}${x(r.note).toFixed(1)} ${y(r[which]).toFixed(1)}`).join("");
        if (path) kids.push(draw("path", { d: path, class: which }));
        for (const r of rows) kids.push(draw("circle", { cx: x(r.note).toFixed(1), cy: y(r[which]).toFixed(1), r: which === "after" ? 5 : 4, class: `${which}${r.left_out ? " left-out" : ""}` }));
      }
      svg.replaceChildren(...kids);
      svg.setAttribute("aria-label", rows.length ? `Cents off ${traces.join(" and ")}: ${rows.map((r) => `${r.name} ${traces.map((trace) => r[trace].toFixed(1)).join(" and ")}`).join(", ")}` : "No result yet");
    },
  };
}
