/** Buttons that pull the beat against the other side. */

import { button } from "./dom.js";

const NUDGE_MS = 5;

/** A button that repeats while it is held. */
function repeating(label, act, attrs) {
  let timer = 0;
  return button(label, () => { act(); timer = window.setInterval(act, 160); }, attrs, () => clearInterval(timer));
}

/** Pull the beat earlier or later, a little at a time. @param {(command: any) => any} ask */
export function nudges(ask) {
  return [[-NUDGE_MS, "‹ early"], [NUDGE_MS, "late ›"]].map(([ms, label]) =>
    repeating(String(label), () => ask({ do: "nudge", ms }), { class: "k repeats", "aria-label": `Nudge ${NUDGE_MS} ms ${label}` }));
}
