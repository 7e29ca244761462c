/**
 * The strip chart: one canvas per bank of lanes. Past inked thick, future thin, the pen line where
 * now is; a derived hit hangs on threads from the hits that caused it.
 */

import { noteName } from "./ink.js";

/** @typedef {import("./ink.js").Ink} Ink */
const STILL_SHARE = 0.04; // margin before the page that lies still
const GLIDE_TICKS = 30; // values this close together are samples of a glide
const LONG_GATE = 200; // ticks; gates longer than this lie along the trace

export class Chart {
  /** @param {HTMLCanvasElement} canvas */
  constructor(canvas) {
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
    this.theme();
  }

  /** Read the colours of the present theme once: asking per frame would force style work. */
  theme() {
    const css = getComputedStyle(document.documentElement);
    const get = (name) => css.getPropertyValue(`--${name}`).trim();
    this.c = { paper: get("paper"), paper2: get("paper2"), ink: get("ink"), ink2: get("ink2"), rule: get("rule"), accent: get("accent"), wash: get("wash") };
    this.serif = get("serif");
    this.sans = get("sans");
  }

  size(width, height) {
    const ratio = Math.min(devicePixelRatio || 1, 2);
    this.width = width;
    this.height = height;
    this.canvas.width = Math.max(1, Math.round(width * ratio));
    this.canvas.height = Math.max(1, Math.round(height * ratio));
    this.g.setTransform(ratio, 0, 0, ratio, 0, 0);
  }

  /**
   * @param {{tick: number, running: boolean, ink: Ink, state: import("./store.js").State, still: boolean, bar: number, beat: number}} view
   */
  draw({ tick, running, ink, state, still, bar, beat }) {
    this.noteNames = state.note_names;
    const { g, width: W, height: H, c, ruler } = this;
    g.clearRect(0, 0, W, H);
    if (!this.lanes.length || W < 40) return;
    const step = Math.max(13, Math.min(32, W / 38));
    const k = step / 240; // pixels per tick
    // Reduced motion: the sheet lies still and the pen walks over it, a page at a time.
    const page = Math.max(bar, Math.floor((W * (1 - STILL_SHARE)) / k / bar) * bar);
    const left = still ? Math.floor(tick / page) * page - (W * STILL_SHARE) / k : tick - (W * 0.3) / k;
    const penTick = still ? Math.floor(tick / beat) * beat : tick;
    const x = (t) => (t - left) * k;
    const now = x(penTick);
    const right = left + W / k;
    const index = new Map(this.lanes.map((name, i) => [name, i]));
    const base = (i) => ruler + this.row * (i + 1) - this.scroll - Math.max(8, this.row * 0.16);
    const amp = this.row - Math.max(15, this.row * 0.34);
    const thick = Math.max(3, Math.min(7, step * 0.24));

    g.fillStyle = c.wash;
    g.fillRect(0, ruler, Math.max(0, now), H - ruler);
    this.grid(x, left, right, bar, beat, step);

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
      if (trace.isValue) this.values(trace, lane, x, left, right, now, y, amp);
      else this.hits(trace, lane, still ? penTick : tick, x, left, right, now, y, amp, thick, index, base, k, running && !still);
    }
    if (this.named) this.names(base);
    g.restore();
    if (state.section_pending) this.flag(x(state.section_pending.tick), state.section_pending.section);
    this.penLine(now, running);
  }

  grid(x, left, right, bar, beat, step) {
    const { g, c, ruler, height: H } = this;
    g.lineWidth = 1;
    g.strokeStyle = c.rule;
    g.fillStyle = c.ink2;
    g.font = `italic 15px ${this.serif}`;
    g.textBaseline = "middle";
    for (let t = Math.ceil(left / beat) * beat; t < right; t += beat) {
      const isBar = t % bar === 0;
      const px = Math.round(x(t)) + 0.5;
      g.globalAlpha = 1;
      g.setLineDash(isBar ? [] : [2, 6]);
      g.beginPath();
      g.moveTo(px, isBar ? 4 : ruler);
      g.lineTo(px, H);
      g.stroke();
      if (isBar && t >= 0) g.fillText(String(t / bar + 1), px + 6, ruler / 2 + 1);
      g.setLineDash([]);
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
    draw(0, edge, lane.muted);
    if (!pending) return;
    draw(edge, W, pending.muted);
    g.strokeStyle = c.ink; // the gap that is waited through, hatched like its head
    g.globalAlpha = 0.35;
    g.beginPath();
    for (let px = now + 4; px < edge; px += 8) { g.moveTo(px, line + 5); g.lineTo(px + 5, line); }
    g.stroke();
    g.globalAlpha = 1;
    if (edge < W - 4) {
      const label = pending.muted ? "out" : "in";
      g.font = `600 13px ${this.sans}`;
      const w = g.measureText(label).width + 12;
      g.fillStyle = c.ink;
      g.fillRect(edge, y - 20, w, 20);
      g.fillStyle = c.paper;
      g.textBaseline = "middle";
      g.fillText(label, edge + 6, y - 9.5);
    }
  }

  hits(trace, lane, tick, x, left, right, now, y, amp, thick, index, base, k, running) {
    const { g, c } = this;
    const pending = lane.pending;
    const past = new Path2D(), future = new Path2D(), ghosts = new Path2D(), feet = new Path2D();
    const threads = new Path2D(), dim = new Path2D();
    /** @type {[number, number, number][]} */
    const wet = [];
    let last = null;
    for (const mark of trace.hits) {
      if (mark.t < left - 240 || mark.t > right) continue;
      const gone = mark.t <= tick;
      if (gone && mark.o === undefined) mark.o = lane.muted;
      const out = gone ? mark.o : pending && mark.t >= pending.tick ? pending.muted : lane.muted;
      const px = x(mark.t);
      const height = Math.max(5, amp * mark.l);
      if (out) ghosts.rect(px - thick / 2 + 0.5, y - height, thick - 1, height);
      else if (gone) {
        past.rect(px - thick / 2, y - height, thick, height);
        if (mark.d > LONG_GATE) feet.rect(px, y - 2, mark.d * k, 3);
        if (tick - mark.t < 720) wet.push([px, height, 1 - (tick - mark.t) / 720]);
        last = mark;
      } else {
        future.rect(px - thick / 4, y - height, thick / 2, height);
        if (mark.d > LONG_GATE) feet.rect(px, y - 1, mark.d * k, 2);
      }
      for (const cause of mark.c) {
        const i = index.get(cause);
        if (i === undefined) continue;
        const from = base(i), to = from < y ? y - height : y;
        const bend = Math.min(22, 8 + Math.abs(to - from) * 0.12);
        const path = gone && !out ? threads : dim;
        path.moveTo(px, from);
        path.bezierCurveTo(px + bend, from + (to - from) * 0.25, px + bend, from + (to - from) * 0.75, px, to);
        path.moveTo(px + 2.5, from);
        path.arc(px, from, 2.5, 0, 7);
      }
    }
    g.lineWidth = 1.3;
    g.strokeStyle = c.accent;
    g.globalAlpha = 0.9;
    g.stroke(threads);
    g.globalAlpha = 0.45;
    g.stroke(dim);
    g.globalAlpha = 0.5;
    g.strokeStyle = c.ink2;
    g.lineWidth = 1;
    g.stroke(ghosts);
    g.fillStyle = c.ink;
    g.globalAlpha = 0.62;
    g.fill(future);
    g.globalAlpha = 0.7;
    g.fill(feet);
    g.globalAlpha = 1;
    g.fill(past);
    g.fillStyle = c.accent; // fresh ink is wet: it dries from the accent to ink within a beat
    for (const [px, height, fresh] of wet) {
      g.globalAlpha = Math.min(1, fresh * 1.4);
      const w = thick * (1 + 0.7 * Math.max(0, fresh - 0.6));
      g.fillRect(px - w / 2, y - height, w, height);
    }
    g.globalAlpha = 1;
    if (lane.muted) return;
    const age = last ? tick - last.t : 1e9;
    const lift = running && last ? amp * last.l * Math.exp(-age / 130) : 0;
    g.beginPath(); // the nib of this trace, thrown up by each hit
    g.moveTo(now + 1, y - lift - 5);
    g.lineTo(now + 10, y - lift);
    g.lineTo(now + 1, y - lift + 5);
    g.fillStyle = c.accent;
    g.fill();
  }

  values(trace, lane, x, left, right, now, y, amp) {
    const { g, c } = this;
    const isNotes = lane.kind === "notes" || trace.high > 12; // volts stay below that
    if (isNotes && this.row > 40) amp -= 9; // room for the names
    const low = isNotes ? trace.low - 2 : Math.min(0, trace.low);
    const scale = amp / Math.max(isNotes ? 6 : 0.001, (isNotes ? trace.high : Math.max(trace.high, low + 1)) - low);
    const at = (v) => y - (v - low) * scale;
    const line = new Path2D();
    /** @type {[number, number, string][]} */
    const labels = [];
    let started = false, lastY = y, nowY = null, lastLabel = -1e9;
    const push = (px, py, glides) => {
      if (!started) { line.moveTo(px, py); started = true; }
      else { if (!glides) line.lineTo(px, lastY); line.lineTo(px, py); }
      lastY = py;
    };
    const list = trace.values;
    for (let i = 0; i < list.length; i++) {
      const [t, v] = list[i];
      const next = list[i + 1];
      if (next && next[0] < left) continue;
      if (t > right) break;
      const px = x(t), py = at(v);
      if (px <= now) nowY = py;
      push(Math.max(-4, px), py, i > 0 && t - list[i - 1][0] <= GLIDE_TICKS);
      if (isNotes && this.row > 40 && px - lastLabel > 26 && (!next || x(next[0]) - px > 20)) {
        labels.push([px, py, noteName(v, this.noteNames)]);
        lastLabel = px;
      }
    }
    if (!started) return;
    line.lineTo(this.width + 4, lastY);
    const body = new Path2D(line);
    body.lineTo(this.width + 4, y);
    body.lineTo(-4, y);
    body.closePath();
    g.lineJoin = "miter";
    g.strokeStyle = lane.muted ? c.ink2 : c.ink;
    g.save();
    g.beginPath();
    g.rect(0, 0, Math.max(0, now), this.height);
    g.clip();
    g.fillStyle = c.ink;
    g.globalAlpha = lane.muted ? 0.05 : 0.13;
    g.fill(body);
    g.globalAlpha = lane.muted ? 0.6 : 1;
    g.lineWidth = lane.muted ? 1.5 : 3;
    if (lane.muted) g.setLineDash([5, 5]);
    g.stroke(line);
    g.restore();
    g.save();
    g.beginPath();
    g.rect(now, 0, this.width, this.height);
    g.clip();
    g.globalAlpha = lane.muted ? 0.5 : 0.75;
    g.lineWidth = 1.5;
    if (lane.muted) g.setLineDash([5, 5]);
    g.stroke(line);
    g.restore();
    if (labels.length) {
      g.font = `italic 13px ${this.serif}`;
      g.textBaseline = "alphabetic";
      g.fillStyle = c.ink2;
      for (const [px, py, label] of labels) g.fillText(label, px + 4, py - 5);
    }
    if (nowY !== null && !lane.muted) {
      g.fillStyle = c.accent;
      g.beginPath();
      g.arc(now, nowY, 5.5, 0, 7);
      g.fill();
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
    g.font = `600 14px ${this.sans}`;
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
