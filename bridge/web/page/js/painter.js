/**
 * Draws the charts of the playing view and the lamps of its heads. It knows no document: it draws in a
 * worker, where the page's own thread is left to fingers, or on the page where a browser has no such canvas.
 */

import { Chart } from "./chart.js";

const FLASH_MS = 200;
const FAINTEST = 0.35; // the share of its lamp that the softest hit lights

/**
 * @typedef {HTMLCanvasElement|OffscreenCanvas} Canvas
 * @typedef {[number, number, number, number]} Box left, top, width and height in CSS pixels
 * @typedef {{canvas: Canvas, lamps: Canvas}} Sheets the canvases of one bank
 * @typedef {{lanes: string[], row: number, ruler: number, width: number, height: number, lampWidth: number, lampHeight: number}} Shape
 * @typedef {Pick<import("./store.js").State, "lanes"|"note_names"|"section_pending"> & {bar: number, beat: number}} Picked what is drawn of the state
 * @typedef {{sheets?: Sheets[], shapes?: Shape[], ratio?: number, boxes?: Record<string, Box>[], scroll?: number[],
 *   inks?: import("./chart.js").Inks, state?: Picked, still?: boolean, hits?: [string, number][]}} Told
 *   what the painter is told, whatever of it has changed: `boxes` are the lamps of the lanes, `hits` have just
 *   sounded, `still` is for who wants no motion
 */

/** A lamp beside each head: a hit lights it, and it burns down. */
class Lamps {
  /** @param {Canvas} canvas */
  constructor(canvas) {
    this.canvas = canvas;
    this.g = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
    /** @type {Record<string, Box>} */
    this.boxes = {};
    this.lit = false;
  }

  size(width, height, ratio) {
    this.canvas.width = Math.max(1, Math.round(width * ratio));
    this.canvas.height = Math.max(1, Math.round(height * ratio));
    this.g.setTransform(ratio, 0, 0, ratio, 0, 0);
  }

  /** @param {number} now @param {Map<string, {at: number, share: number}>} hits the last one of each lane @param {string} colour */
  draw(now, hits, colour) {
    const { g, canvas } = this;
    if (this.lit) g.clearRect(0, 0, canvas.width, canvas.height);
    this.lit = false;
    for (const [name, [left, top, width, height]] of Object.entries(this.boxes)) {
      const hit = hits.get(name);
      const share = hit ? hit.share * Math.min(1, 1 - (now - hit.at) / FLASH_MS) : 0;
      if (share <= 0) continue;
      this.lit = true;
      g.save();
      g.translate(left, top + height);
      g.scale(1, share); // its corners flatten with it
      g.fillStyle = colour;
      g.beginPath();
      if (g.roundRect) g.roundRect(0, -height, width, height, 2);
      else g.rect(0, -height, width, height); // browsers of before 2023
      g.fill();
      g.restore();
    }
  }
}

export class Painter {
  /** @param {import("./ink.js").Ink} ink @param {import("./pen.js").Pen} pen */
  constructor(ink, pen) {
    this.ink = ink;
    this.pen = pen;
    /** @type {{chart: Chart, lamps: Lamps, scroll: number, drawn: string}[]} */
    this.banks = [];
    this.ratio = 1;
    this.still = false;
    /** @type {import("./chart.js").Inks|null} */
    this.inks = null;
    /** @type {Picked} */
    this.state = { lanes: {}, note_names: [], section_pending: null, bar: 3840, beat: 960 };
    /** The last hit of each lane. @type {Map<string, {at: number, share: number}>} */
    this.hits = new Map();
    this.version = 0; // counts what it was told
    /** What drawing costs, kept for the curious: pictures of the chart, and the mean of the last ones in ms. */
    this.cost = { frames: 0, mean: 0 };
  }

  /** @param {Told} told @param {number} now the time of its hits (performance.now()) */
  take({ inks, ratio, state, still, sheets, shapes, boxes, scroll, hits }, now) {
    for (const [lane, level] of hits ?? []) this.hits.set(lane, { at: now, share: FAINTEST + (1 - FAINTEST) * level });
    if (hits) return; // they move lamps alone
    this.version++;
    if (inks) { this.inks = inks; for (const { chart } of this.banks) chart.theme(inks); }
    if (ratio) this.ratio = ratio;
    if (state) this.state = state;
    if (still !== undefined) this.still = still;
    if (sheets) this.banks = sheets.map(({ canvas, lamps }) => ({ chart: new Chart(canvas, this.inks ?? undefined), lamps: new Lamps(lamps), scroll: 0, drawn: "" }));
    shapes?.forEach((shape, b) => this.shape(this.banks[b], shape));
    boxes?.forEach((of, b) => { this.banks[b].lamps.boxes = of; });
    scroll?.forEach((top, b) => { this.banks[b].scroll = top; });
  }

  /** @param {{chart: Chart, lamps: Lamps}} bank @param {Shape} shape */
  shape({ chart, lamps }, { lanes, row, ruler, width, height, lampWidth, lampHeight }) {
    Object.assign(chart, { lanes, row, ruler });
    chart.size(width, height, this.ratio);
    lamps.size(lampWidth, lampHeight, this.ratio);
  }

  /** One animation frame. @param {number} now (performance.now()) @returns {boolean} whether the next one differs */
  frame(now) {
    const { pen, ink, state, still } = this;
    const { bar, beat } = state;
    const begin = performance.now(), tick = pen.at(now);
    const shown = still ? Math.floor(tick / beat) : tick;
    let drawn = false;
    for (const bank of this.banks) {
      // Nothing is drawn while nothing moves: a picture costs the battery of a tablet as much as a song.
      const key = [shown, pen.running, ink.version, this.version].join();
      if (key !== bank.drawn) {
        drawn = true;
        bank.drawn = key;
        bank.chart.scroll = bank.scroll;
        bank.chart.draw({ tick, running: pen.running, ink, state, still, bar, beat });
      }
      bank.lamps.draw(now, this.hits, bank.chart.c.accent);
    }
    if (drawn) {
      this.cost.frames++;
      this.cost.mean += (performance.now() - begin - this.cost.mean) * 0.05;
    }
    return pen.moves(now) || this.banks.some(({ lamps }) => lamps.lit);
  }
}
