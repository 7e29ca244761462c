/** The first words over the chart: for a first visit, and whenever somebody asks. */

import { h, keep, tool } from "./dom.js";

const FIRST = [
  "Each switch on the left is a lane. Touch it and the lane is muted; touch it again and it is back.",
  "The chart runs past the pen: thick ink has sounded, thin ink is to come, and a thread runs from a hit to the one it causes.",
  "The bars below are macros: drag one sideways. Touch ? and then anything else to have it explained.",
];
/** @type {HTMLElement|null} */
let card = null;
/** @type {ResizeObserver|null} */
let around = null;

/** Three sentences over the chart, until somebody plays or closes them. @param {any} app */
export function showFirst(app) {
  const { traces } = app.play;
  card ??= h("div", { class: "first", role: "note", "aria-label": "In three sentences" }, tool("Close", hideFirst, { "aria-label": "Close the three sentences" }), h("div", {}, ...FIRST.map((words) => h("p", { text: words }))));
  around?.disconnect();
  let known = null;
  around = new ResizeObserver(() => { // over the chart, and never over a switch
    const sheet = traces.querySelector(".sheet");
    if (!sheet?.clientWidth || !card) return;
    if (sheet !== known) { known = sheet; around?.observe(sheet); } // the banks were laid out anew
    card.style.left = `${sheet.offsetLeft + 8}px`;
    card.style.maxHeight = `${traces.clientHeight - 40}px`;
    card.style.width = `${Math.min(460, sheet.clientWidth - 16)}px`;
    if (!card.isConnected) traces.parentElement?.append(card);
  });
  around.observe(traces);
  traces.addEventListener("pointerdown", played, true);
}

export function hideFirst() {
  document.querySelector(".traces")?.removeEventListener("pointerdown", played, true);
  around?.disconnect();
  card?.remove();
  keep.set("met", "yes");
}

/** @param {Event} event */
function played(event) {
  if (document.body.dataset.asking !== "yes" && /** @type {Element} */ (event.target).closest(".head")) hideFirst();
}
