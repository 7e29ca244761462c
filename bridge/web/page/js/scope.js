/** What every output is at, in volts, over the last seconds: decoded from the bytes that were sent. */

import { text } from "./dom.js";

const SPAN_MS = 4000;
const KEEP_MS = SPAN_MS + 500;
const LABEL_MS = 200;

export class Scope {
  /** @param {any} app */
  constructor(app) {
    this.app = app;
    this.on = false;
    this.offset = Infinity; // page clock minus player clock; the smallest is the least delayed
    /** @type {Map<string, [number, number][]>} */
    this.points = new Map();
    /** @type {Map<string, {canvas: HTMLCanvasElement, label: HTMLElement, low: number, high: number}>} */
    this.rows = new Map();
    this.labelled = 0;
    app.link.addEventListener("scope", (event) => this.take(event.detail));
    app.link.addEventListener("condition", () => {
      this.offset = Infinity;
      this.points.clear();
      if (app.link.live && this.on) app.link.send({ do: "scope", on: true });
    });
  }

  watch(on) {
    if (on === this.on) return;
    this.on = on;
    this.app.link.send({ do: "scope", on });
  }

  take({ t_ms, outputs }) {
    this.offset = Math.min(this.offset, performance.now() - t_ms);
    for (const [name, points] of Object.entries(outputs)) {
      const all = this.points.get(name) ?? [];
      for (const point of points) all.push(point);
      // One point before the window is kept: the line comes in from there.
      while (all.length > 1 && all[1][0] < t_ms - KEEP_MS) all.shift();
      this.points.set(name, all);
    }
  }

  frame(now) {
    const player = now - this.offset;
    const css = getComputedStyle(document.documentElement);
    const ink = css.getPropertyValue("--ink"), faint = css.getPropertyValue("--ink2"), accent = css.getPropertyValue("--accent");
    const label = now - this.labelled > LABEL_MS;
    if (label) this.labelled = now;
    for (const [name, row] of this.rows) {
      const points = this.points.get(name);
      if (label) text(row.label, points ? `${points[points.length - 1][1].toFixed(2)} V` : "");
      if (points) draw(row, points, player, ink, faint, accent);
    }
  }
}

function draw({ canvas, low, high }, points, player, ink, faint, accent) {
  const ratio = Math.min(devicePixelRatio || 1, 2), width = canvas.clientWidth, height = canvas.clientHeight;
  if (!width) return;
  if (canvas.width !== Math.round(width * ratio)) { canvas.width = Math.round(width * ratio); canvas.height = Math.round(height * ratio); }
  const g = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
  g.setTransform(ratio, 0, 0, ratio, 0, 0);
  g.clearRect(0, 0, width, height);
  const x = (ms) => width - 6 - ((player - ms) / SPAN_MS) * width;
  const y = (volts) => height - 5 - ((volts - low) / (high - low || 1)) * (height - 10);
  g.strokeStyle = faint;
  g.lineWidth = 1;
  g.setLineDash([2, 5]);
  g.beginPath();
  const zero = Math.round(y(Math.min(high, Math.max(low, 0)))) + 0.5;
  g.moveTo(0, zero);
  g.lineTo(width, zero);
  g.stroke();
  g.setLineDash([]);
  g.strokeStyle = ink;
  g.lineWidth = 2;
  g.beginPath();
  let last = y(points[0][1]);
  g.moveTo(Math.max(0, x(points[0][0])), last);
  for (const [ms, volts] of points) {
    const px = x(ms);
    g.lineTo(px, last);
    last = y(volts);
    g.lineTo(px, last);
  }
  g.lineTo(width - 6, last);
  g.stroke();
  g.fillStyle = accent;
  g.beginPath();
  g.arc(width - 6, last, 4, 0, 7);
  g.fill();
}
