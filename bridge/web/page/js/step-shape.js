/** What single steps have of their own, shaped by touch: how likely, how strong, how often, how long. */

import { attr, h, text, tool } from "./dom.js";
import { fader } from "./fields.js";
import { entry } from "./forms.js";

/** How each part is written in the parentheses behind a hit, and how it is read.
 * @type {Record<string, {read: RegExp, value: (found: RegExpMatchArray) => number, write: (v: number) => string}>} */
const PARTS = {
  chance: { read: /^([\d.]+) ?%$/, value: (found) => Number(found[1]) / 100, write: (v) => `${Number((v * 100).toPrecision(4))}%` },
  level: { read: /^level ([\d.]+)$/, value: (found) => Number(found[1]), write: (v) => `level ${v}` },
  repeats: { read: /^(\d+) ?x$/, value: (found) => Number(found[1]), write: (v) => `${v}x` },
  gate: { read: /^gate ([\d.]+)$/, value: (found) => Number(found[1]), write: (v) => `gate ${v}` },
};

/** The parts of what a step has: `60%, 3x` is ["60%", "3x"]. @param {string} own */
const split = (own) => own.split(",").map((part) => part.trim()).filter(Boolean);

/** One part of what a step has as a number, or null where it is as the lane.
 * @param {string} own @param {string} key */
export function partOf(own, key) {
  for (const part of split(own)) {
    const found = part.match(PARTS[key].read);
    if (found) return PARTS[key].value(found);
  }
  return null;
}

/** The same step with another number for one part, null for as the lane. What else it has stays.
 * @param {string} own @param {string} key @param {number|null} value */
export function withPart(own, key, value) {
  const parts = split(own).filter((part) => !PARTS[key].read.test(part));
  return (value === null ? parts : [...parts, PARTS[key].write(value)]).join(", ");
}

/** What is written on the foot of a step: its first part, and whether there is more. @param {string} own */
export function brief(own) {
  const [first, ...more] = split(own);
  return first ? `${first.replace("level ", "l").replace("gate ", "g")}${more.length ? "+" : ""}` : "";
}

/**
 * The panel of one step.
 * @param {Record<string, any>} settings limits and units, as the service tells them
 * @param {(own: string) => Promise<string[]>|any} put takes what the step has from now on; gives back what is said against it
 */
export function stepPanel(settings, put) {
  let own = "", of = /** @type {Record<string, number>} */ ({});
  const title = h("h3", {});
  const back = tool("As the lane", () => put(""), { title: "The step has nothing of its own from then on" });
  const faders = Object.keys(PARTS).map((key) => {
    const field = fader({ ...settings[key], name: key }, (v) => put(withPart(own, key, v)));
    return { key, field, el: /** @type {HTMLElement} */ (field.el.firstChild) };
  });
  const written = entry("In words", (typed) => put(typed.trim().replace(/^\(|\)$/g, "")),
    { hint: "as 60%, 3x, level 0.5, gate 2 or 1 of 4, with commas between; nothing: as the lane", attrs: { "aria-label": "The step in words" } });
  const el = h("div", { class: "step-panel", role: "group", "aria-label": "The step that was chosen", hidden: true },
    h("div", { class: "title-row" }, title, back), h("div", { class: "faders" }, ...faders.map(({ field }) => field.el)), written.el);
  return {
    el,
    /** @param {number} step from 0; below 0 none is chosen @param {string} has @param {Record<string, number>} lane what its lane has */
    show(step, has, lane) {
      el.hidden = step < 0;
      own = has;
      of = lane;
      text(title, `Step ${step + 1}`);
      attr(back, "aria-disabled", !own);
      for (const { key, field, el: slider } of faders) {
        const value = partOf(own, key);
        field.update(value ?? of[key] ?? settings[key].start);
        attr(slider, "data-own", value === null ? null : "yes");
      }
      written.update(own);
    },
  };
}
