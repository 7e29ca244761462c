/**
 * The strip chart: one canvas per bank of lanes. Past inked thick, future thin, the pen line where
 * now is; a derived hit hangs on threads from the hits that caused it.
 */

import { silent } from "./store.js";
import { LEAST_MARK, drawHits, drawValues } from "./trace.js";

/** @typedef {import("./ink.js").Ink} Ink */
/** @typedef {{paper: string, paper2: string, ink: string, ink2: string, rule: string, accent: string, wash: string, serif: string, sans: string}} Inks colours and families of letters */
const STILL_SHARE = 0.04; // margin before the page that lies still
const PEN_SHARE = 0.3; // where the pen stands while the sheet moves
export const MOST_BARS = 8; // that the service tells ahead
const MOST_MARK = 12;

/** The present theme, in colours that a worker understands too: it knows neither variables of the page nor colours
 * that the system forces. @returns {Inks} */
export function inksOfTheme() {
  const probe = document.body.appendChild(document.createElement("i")), css = getComputedStyle(probe);
  probe.hidden = true;
  const colour = (name) => { probe.style.color = `var(--${name})`; return css.color; };
  const letters = (name) => css.getPropertyValue(`--${name}`).trim();
  const inks = {
    paper: colour("paper"), paper2: colour("paper2"), ink: colour("ink"), ink2: colour("ink2"), rule: colour("rule"),
    accent: colour("accent"), wash: colour("wash"), serif: letters("serif"), sans: letters("sans"),
  };
  probe.remove();
  return inks;
}

/** Pixels of a canvas for each CSS pixel: more than two are not seen at arm's length. */
export const sharpness = () => Math.min(devicePixelRatio || 1, 2);

/** Pixels per tick of a chart so wide: what is shown ahead of the pen is never more than can be known. */
export function scaleOf(width, bar) {
  const step = Math.max(13, Math.min(32, width / 38));
  return Math.max(step / 240, (width * (1 - PEN_SHARE)) / ((MOST_BARS - 2) * bar));
}

/** Ticks that a chart so wide shows after the pen, at most. */
export const aheadOf = (width, bar, still) => (width ? (width * (1 - (still ? STILL_SHARE : PEN_SHARE))) / scaleOf(width, bar) : 0);

export class Chart {
  /** @param {HTMLCanvasElement|OffscreenCanvas} canvas @param {Inks} [inks] */
  constructor(canvas, inks = inksOfTheme()) {
    this.canvas = canvas;
    this.g = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
    this.width = 0;
    this.height = 0;
    /** @type {string[]} */
    this.lanes = [];
    this.row = 60;
    this.ruler = 24;
    this.scroll = 0;
    /** Whether the traces carry their names, where no heads stand beside them. */
    this.named = false;
    /** What the twelve notes are called in the key of the set. @type {string[]} */
    this.noteNames = [];
    this.theme(inks);
  }

  theme(inks = inksOfTheme()) {
    this.c = inks;
    this.serif = inks.serif;
    this.sans = inks.sans;
  }

  /** In CSS pixels; the canvas is empty after it. */
  size(width, height, ratio = sharpness()) {
    this.width = width;
    this.height = height;
    this.canvas.width = Math.max(1, Math.round(width * ratio));
    this.canvas.height = Math.max(1, Math.round(height * ratio));
    this.g.setTransform(ratio, 0, 0, ratio, 0, 0);
  }

  /**
   * @param {{tick: number, running: boolean, ink: Ink, state: Pick<import("./store.js").State, "lanes"|"note_names"|"section_pending">, still: boolean, bar: number, beat: number}} view
   */
  draw({ tick, running, ink, state, still, bar, beat }) {
    this.noteNames = state.note_names;
    const { g, width: W, height: H, c, ruler } = this;
    g.clearRect(0, 0, W, H);
    if (!this.lanes.length || W < 40) return;
    const k = scaleOf(W, bar), step = k * 240;
    // Reduced motion: the sheet lies still and the pen walks over it, a page at a time.
    const page = Math.max(bar, Math.floor((W * (1 - STILL_SHARE)) / k / bar) * bar);
    const left = still ? Math.floor(tick / page) * page - (W * STILL_SHARE) / k : tick - (W * PEN_SHARE) / k;
    const penTick = still ? Math.floor(tick / beat) * beat : tick;
    const x = (t) => (t - left) * k;
    const now = x(penTick);
    const right = left + W / k;
    const index = new Map(this.lanes.map((name, i) => [name, i]));
    const base = (i) => ruler + this.row * (i + 1) - this.scroll - Math.max(8, this.row * 0.16);
    const amp = this.row - Math.max(15, this.row * 0.34);
    const thick = Math.max(LEAST_MARK, Math.min(MOST_MARK, step * 0.4));
    const view = { noteNames: this.noteNames, g, c, serif: this.serif, width: W, height: H, row: this.row, x, left, right, now, known: x(ink.to), tick: still ? penTick : tick, thick, index, base, k, nib: running && !still };

    g.fillStyle = c.wash;
    g.fillRect(0, ruler, Math.max(0, now), H - ruler);
    this.grid(x, left, right, bar, beat);

    g.save();
    g.beginPath();
    g.rect(0, ruler, W, H - ruler);
    g.clip();
    for (let i = 0; i < this.lanes.length; i++) {
      const y = base(i);
      if (y < ruler - 4 || y - amp > H) continue;
      const name = this.lanes[i];
      const lane = state.lanes[name];
      const trace = ink.traces.get(name);
      if (!lane) continue;
      this.baseline(y, lane, x, now, W);
      if (!trace) continue;
      (trace.isValue ? drawValues : drawHits)(view, trace, lane, y, amp);
    }
    if (this.named) this.names(base);
    g.restore();
    if (state.section_pending) this.flag(x(state.section_pending.tick), state.section_pending.section);
    this.penLine(now, running);
  }

  grid(x, left, right, bar, beat) {
    const { g, c, ruler, height: H } = this;
    g.fillStyle = c.ink;
    g.font = `italic 18px ${this.serif}`;
    g.textBaseline = "middle";
    for (let t = Math.ceil(left / beat) * beat; t < right; t += beat) {
      const isBar = t % bar === 0;
      const px = Math.round(x(t)) + 0.5;
      g.lineWidth = isBar ? 2 : 1;
      g.strokeStyle = isBar ? c.ink2 : c.rule;
      g.setLineDash(isBar ? [] : [2, 6]);
      g.beginPath();
      g.moveTo(px, isBar ? 4 : ruler);
      g.lineTo(px, H);
      g.stroke();
      if (isBar && t >= 0) g.fillText(String(t / bar + 1), px + 6, ruler / 2 + 1);
      g.setLineDash([]);
      g.lineWidth = 1;
      g.strokeStyle = c.rule;
      for (let s = 0; s < 4; s++) {
        const q = Math.round(x(t + (s * beat) / 4)) + 0.5;
        g.beginPath();
        g.moveTo(q, ruler - (s ? 3 : 7));
        g.lineTo(q, ruler);
        g.stroke();
      }
    }
    g.strokeStyle = c.ink2;
    g.beginPath();
    g.moveTo(0, ruler + 0.5);
    g.lineTo(this.width, ruler + 0.5);
    g.stroke();
  }

  baseline(y, lane, x, now, W) {
    const { g, c } = this;
    const line = Math.round(y) + 0.5;
    const draw = (from, to, out) => {
      if (to <= from) return;
      g.strokeStyle = c.ink2;
      g.globalAlpha = out ? 0.6 : 1;
      g.setLineDash(out ? [5, 6] : []);
      g.beginPath();
      g.moveTo(from, line);
      g.lineTo(to, line);
      g.stroke();
      g.setLineDash([]);
      g.globalAlpha = 1;
    };
    g.lineWidth = 1;
    const pending = lane.pending;
    const edge = pending ? Math.max(now, Math.min(W, x(pending.tick))) : W;
    draw(0, edge, silent(lane));
    if (!pending) return;
    draw(edge, W, pending.muted);
    g.strokeStyle = c.ink; // the gap that is waited through, hatched like its head
    g.globalAlpha = 0.35;
    g.beginPath();
    for (let px = now + 4; px < edge; px += 8) { g.moveTo(px, line + 5); g.lineTo(px + 5, line); }
    g.stroke();
    g.globalAlpha = 1;
    if (edge < W - 4) {
      const label = pending.muted ? "muted" : "on";
      g.font = `600 16px ${this.sans}`;
      const w = g.measureText(label).width + 12;
      g.fillStyle = c.ink;
      g.fillRect(edge, y - 22, w, 22);
      g.fillStyle = c.paper;
      g.textBaseline = "middle";
      g.fillText(label, edge + 6, y - 10.5);
    }
  }

  names(base) {
    const { g, c } = this;
    g.font = `600 14px ${this.sans}`;
    g.textBaseline = "top";
    this.lanes.forEach((name, i) => {
      const y = base(i) - this.row + 16, w = g.measureText(name).width + 12;
      g.fillStyle = c.paper;
      g.fillRect(0, y, w, 19);
      g.fillStyle = c.ink;
      g.fillText(name, 5, y + 3);
    });
  }

  flag(px, label) {
    const { g, c, ruler, height: H } = this;
    if (px < 0 || px > this.width) return;
    g.strokeStyle = c.accent;
    g.lineWidth = 2;
    g.setLineDash([7, 5]);
    g.beginPath();
    g.moveTo(px, 0);
    g.lineTo(px, H);
    g.stroke();
    g.setLineDash([]);
    g.font = `600 16px ${this.sans}`;
    const w = g.measureText(label).width + 14;
    g.fillStyle = c.ink;
    g.fillRect(px, 1, w, ruler - 2);
    g.fillStyle = c.paper;
    g.textBaseline = "middle";
    g.fillText(label, px + 7, ruler / 2 + 0.5);
  }

  penLine(now, running) {
    const { g, c, height: H } = this;
    g.strokeStyle = c.accent;
    g.fillStyle = c.accent;
    g.lineWidth = 2;
    g.setLineDash(running ? [] : [3, 5]);
    g.beginPath();
    g.moveTo(now, 0);
    g.lineTo(now, H);
    g.stroke();
    g.setLineDash([]);
    g.beginPath();
    g.moveTo(now - 8, 0);
    g.lineTo(now + 8, 0);
    g.lineTo(now, 12);
    g.fill();
  }
}
