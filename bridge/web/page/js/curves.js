/** How what a macro drives follows the knob: plain words for the curves of the set file. */

import { h, text } from "./dom.js";
import { picker } from "./fields.js";

/** Words for the usual curves, by the number that the file has. @type {[string, string][]} */
const CURVES = [
  ["-1", "Most of it at the start"], ["-0.5", "More of it at the start"], ["0", "Even all the way"],
  ["0.5", "More of it at the end"], ["1", "Most of it at the end"],
];

/** How far it has gone with the knob half way, as the manual has it: value ** (2 ** (2 * curve)). */
const halfWay = (curve) => Math.round(100 * 0.5 ** (2 ** (2 * curve)));

/** One line of help for a curve. @param {number} curve */
export const curveSays = (curve) => `With the knob half way it has gone ${halfWay(curve)} % of its way.`;

/** A choice among the curves, with a line that says what the chosen one does.
 * @param {string} caption @param {(curve: number | null) => Promise<string[]>} put null: as the macro
 * @param {boolean} inherits whether it may be the macro's */
export function curvePicker(caption, put, inherits) {
  const options = inherits ? [["", "As the macro"], ...CURVES] : CURVES;
  const pick = picker(caption, options, (v) => put(v === "" ? null : Number(v)));
  const help = h("small", { class: "curve-says" });
  pick.el.insertBefore(help, pick.select.nextSibling);
  return {
    el: pick.el,
    /** @param {number | undefined} own @param {number} macro the curve of the macro */
    update(own, macro) {
      pick.update(own === undefined ? "" : String(own));
      text(help, own === undefined && inherits ? `${curveSays(macro)} So says the macro.` : curveSays(own ?? 0));
    },
  };
}
