/** The banks of the playing view: heads, the charts of their lanes, and the lamps on them. */

import { attr, h, keepFocus } from "./dom.js";
import { aheadOf, sharpness } from "./chart.js";
import { Drawing } from "./drawing.js";
import { isLong } from "./ink.js";
import { meter } from "./meter.js";

const MIN_ROW = 48; // a head of 44 px and the gap around it
const MIN_BANK = 460;
const MOST_RULER = 26; // the ruler of large screens; play.css has lower ones for small screens

/** @typedef {{el: HTMLElement, list: HTMLElement, sheet: HTMLElement, canvas: HTMLCanvasElement, lamps: HTMLCanvasElement, lanes: string[], width: number}} Bank */

export class Banks {
  /** @param {HTMLElement} el @param {{store: import("./store.js").Store, pen: import("./pen.js").Pen, ink: import("./ink.js").Ink}} app
   * @param {() => Map<string, import("./heads.js").Head>} heads in their order */
  constructor(el, { store, pen, ink }, heads) {
    this.el = el; this.store = store; this.heads = heads;
    /** @type {Bank[]} */
    this.all = [];
    this.still = matchMedia("(prefers-reduced-motion: reduce)");
    this.drawing = new Drawing(ink, pen, () => this.again());
    this.picked = "";
    this.lamps = new ResizeObserver(() => this.placeLamps());
    this.still.addEventListener("change", () => this.tellStill());
    this.tellStill();
    store.on(["lanes", "note_names", "section_pending", "meter"], () => this.pick());
    document.addEventListener("visibilitychange", () => this.look());
  }

  /** The worker that drew has failed: everything from the beginning, on canvases of our own. */
  again() {
    this.picked = "";
    this.all = []; // built once this view is shown
    this.pick();
    this.tellStill();
    this.layout(true);
  }

  tellStill() { this.drawing.tell({ still: this.still.matches }); }

  look() { this.drawing.look(!document.hidden && this.el.clientHeight > 0); }

  /** Tell the painter what it draws of the state, when that has changed. */
  pick() {
    const { lanes, note_names, section_pending } = this.store.state;
    const drawn = Object.entries(lanes).map(([name, { kind, muted, heard, pending }]) => [name, { kind, muted, heard, pending }]);
    const state = { lanes: Object.fromEntries(drawn), note_names, section_pending, ...meter(this.store.state) };
    const picked = JSON.stringify(state);
    if (picked === this.picked) return;
    this.picked = picked;
    this.drawing.tell({ state });
  }

  layout(force = false) { keepFocus(() => this.share(force)); }

  /** Share the lanes out to one or two banks so that every head stays large without scrolling. @param {boolean} force */
  share(force) {
    const heads = this.heads(), names = [...heads.keys()];
    const { clientWidth: width, clientHeight: height } = this.el;
    this.look();
    if (!names.length || !width || !height) return;
    const two = width >= 2 * MIN_BANK && names.length * MIN_ROW + MOST_RULER > height;
    const count = two ? 2 : 1;
    const per = Math.ceil(names.length / count);
    if (force || this.all.length !== count) {
      this.all = Array.from({ length: count }, () => this.build());
      this.drawing.sheets(this.all);
      this.el.replaceChildren(...this.all.map((bank) => bank.el));
    }
    const ruler = parseFloat(getComputedStyle(this.all[0].el).getPropertyValue("--ruler")) || MOST_RULER;
    const row = Math.max(MIN_ROW, Math.min(120, (height - ruler - 4) / per));
    attr(this.el, "data-long", names.some(isLong) ? "yes" : null);
    attr(this.el, "data-banks", count);
    attr(this.el, "data-dense", row < 56 ? "yes" : null);
    const shapes = this.all.map((bank, b) => {
      const lanes = names.slice(b * per, (b + 1) * per);
      if (bank.lanes.join() !== lanes.join()) bank.list.replaceChildren(...lanes.map((name) => h("li", {}, /** @type {import("./heads.js").Head} */ (heads.get(name)).el)));
      bank.el.style.setProperty("--row", `${row}px`);
      bank.sheet.style.height = `${height}px`;
      // A list that scrolls must be reachable by keys alone.
      attr(bank.el, "tabindex", lanes.length * row + ruler > height + 2 ? "-1" : null);
      Object.assign(bank, { lanes, width: bank.sheet.clientWidth });
      const lampHeight = Math.ceil(ruler + lanes.length * row);
      bank.lamps.style.height = `${lampHeight}px`;
      return { lanes, row, ruler, width: bank.width, height, lampWidth: bank.lamps.clientWidth, lampHeight };
    });
    this.drawing.tell({ shapes, ratio: sharpness(), scroll: this.scrolled() });
    this.lamps.disconnect();
    for (const head of heads.values()) this.lamps.observe(head.lamp);
  }

  /** @returns {Bank} */
  build() {
    const list = h("ul", { class: "heads", "aria-label": "Lanes" });
    const canvas = /** @type {HTMLCanvasElement} */ (h("canvas", { "aria-hidden": "true" }));
    const lamps = /** @type {HTMLCanvasElement} */ (h("canvas", { class: "lamps", "aria-hidden": "true" }));
    const sheet = h("div", { class: "sheet" }, canvas);
    const el = h("div", { class: "bank" }, list, lamps, sheet);
    el.addEventListener("scroll", () => this.drawing.tell({ scroll: this.scrolled() }), { passive: true });
    return { el, list, sheet, canvas, lamps, lanes: [], width: 0 };
  }

  scrolled() { return this.all.map(({ el }) => el.scrollTop); }

  /** Tell where the lamps are on the heads; the borders of a head move its lamp. */
  placeLamps() {
    const heads = this.heads();
    this.drawing.tell({ boxes: this.all.map(({ lamps, lanes }) => {
      const { left, top } = lamps.getBoundingClientRect();
      return Object.fromEntries(lanes.map((name) => {
        const box = /** @type {import("./heads.js").Head} */ (heads.get(name)).lamp.getBoundingClientRect();
        return [name, /** @type {import("./painter.js").Box} */ ([box.left - left, box.top - top, box.width, box.height])];
      }));
    }) });
  }

  /** Ticks that the widest chart shows after the pen. */
  ahead() {
    const { bar } = meter(this.store.state);
    return Math.max(0, ...this.all.map(({ width }) => aheadOf(width, bar, this.still.matches)));
  }
}
