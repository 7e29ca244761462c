/** How one lane is drawn on the strip chart: marks of hits with their threads, lines of values. */

import { hasNotes, noteName } from "./ink.js";
import { silent } from "./store.js";

export const LEAST_MARK = 6; // CSS pixels; thinner is not seen at arm's length
const GLIDE_TICKS = 30; // values this close together are samples of a glide
const LONG_GATE = 200; // ticks; gates longer than this lie along the trace

/**
 * What is drawn on, and where: `x` gives the pixel of a tick, `now` is the pen's, `known` the one
 * after which nothing is known yet, `index` and `base` the place and baseline of a lane, `k` pixels
 * a tick, `nib` whether the pen is thrown up by hits.
 * @typedef {{g: CanvasRenderingContext2D, c: Record<string, string>, noteNames: string[], serif: string, width: number, height: number,
 *   row: number, x: (tick: number) => number, left: number, right: number, now: number, known: number, tick: number,
 *   thick: number, index: Map<string, number>, base: (i: number) => number, k: number, nib: boolean}} Sheet
 * @typedef {import("./ink.js").Trace} Trace
 * @typedef {import("./store.js").LaneState} LaneState
 */

/** Threads to lanes that stand elsewhere: a short one from a ring at the head of the row, and beside
 * some of them which lanes they are. @returns {[number, number, string][]} */
function fromElsewhere({ g, serif, row }, far, y, amp, threads, dim) {
  /** @type {[number, number, string][]} */
  const tags = [];
  const top = y - amp - 3;
  let free = -1e9;
  g.font = `italic 13px ${serif}`;
  for (const [px, height, words, sounded] of far) {
    const path = sounded ? threads : dim, to = Math.max(y - height, top + 5);
    path.moveTo(px + 8, top + 2.5);
    path.quadraticCurveTo(px + 8, (top + to) / 2, px, to);
    path.moveTo(px + 10.5, top);
    path.arc(px + 8, top, 2.5, 0, 7);
    if (row < 44 || px < free) continue;
    tags.push([px + 13, top, words]);
    free = px + g.measureText(words).width + 60;
  }
  return tags;
}

/** @param {Sheet} view @param {Trace} trace @param {LaneState} lane @param {number} y baseline @param {number} amp height of a full hit */
export function drawHits(view, trace, lane, y, amp) {
  const { g, c, x, left, right, now, tick, thick, index, base, k } = view;
  const pending = lane.pending, quiet = silent(lane);
  const past = new Path2D(), future = new Path2D(), ghosts = new Path2D(), feet = new Path2D();
  const threads = new Path2D(), dim = new Path2D();
  /** @type {[number, number, number][]} */
  const wet = [];
  /** Hits caused by lanes of another bank. @type {[number, number, string, boolean][]} */
  const far = [];
  let last = null;
  for (const mark of trace.hits) {
    if (mark.t < left - 240 || mark.t > right) continue;
    const gone = mark.t <= tick;
    if (gone && mark.o === undefined) mark.o = quiet;
    const out = gone ? mark.o : pending && mark.t >= pending.tick ? pending.muted : quiet;
    const px = x(mark.t);
    const height = Math.max(5, amp * mark.l);
    if (out) ghosts.rect(px - thick / 2 + 0.5, y - height, thick - 1, height);
    else if (gone) {
      past.rect(px - thick / 2, y - height, thick, height);
      if (mark.d > LONG_GATE) feet.rect(px, y - 3, mark.d * k, 4);
      if (tick - mark.t < 720) wet.push([px, height, 1 - (tick - mark.t) / 720]);
      last = mark;
    } else {
      future.rect(px - LEAST_MARK / 2, y - height, LEAST_MARK, height);
      if (mark.d > LONG_GATE) feet.rect(px, y - 1, mark.d * k, 2);
    }
    const elsewhere = mark.c.filter((cause) => !index.has(cause));
    if (elsewhere.length) far.push([px, height, elsewhere.join(", "), gone && !out]);
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
  const tags = fromElsewhere(view, far, y, amp, threads, dim);
  g.lineWidth = 1.6;
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
  g.globalAlpha = 0.5;
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
  g.font = `italic 13px ${view.serif}`;
  g.textBaseline = "middle";
  for (const [px, py, words] of tags) {
    const w = g.measureText(words).width;
    g.fillStyle = c.paper;
    g.fillRect(px - 1, py - 8, w + 2, 16);
    g.fillStyle = c.ink2;
    g.fillText(words, px, py);
  }
  if (quiet) return;
  const age = last ? tick - last.t : 1e9;
  const lift = view.nib && last ? amp * last.l * Math.exp(-age / 130) : 0;
  g.beginPath(); // the nib of this trace, thrown up by each hit
  g.moveTo(now + 1, y - lift - 5);
  g.lineTo(now + 10, y - lift);
  g.lineTo(now + 1, y - lift + 5);
  g.fillStyle = c.accent;
  g.fill();
}

/** @param {Sheet} view @param {Trace} trace @param {LaneState} lane @param {number} y baseline @param {number} amp height of the whole range */
export function drawValues(view, trace, lane, y, amp) {
  const { g, c, x, left, right, now, known } = view;
  const out = silent(lane), end = Math.min(view.width + 4, known);
  const isNotes = hasNotes(lane) || trace.high > 12; // volts stay below that
  if (isNotes && view.row > 40) amp -= 11; // room for the names
  const low = isNotes ? trace.low - 2 : Math.min(0, trace.low);
  const scale = amp / Math.max(isNotes ? 6 : 0.001, (isNotes ? trace.high : Math.max(trace.high, low + 1)) - low);
  const at = (v) => y - (v - low) * scale;
  const line = new Path2D();
  /** @type {[number, number, string][]} */
  const labels = [];
  let started = false, first = 0, lastY = y, nowY = null, lastLabel = -1e9;
  const push = (px, py, glides) => {
    if (!started) { line.moveTo(px, py); started = true; first = px; }
    else { if (!glides) line.lineTo(px, lastY); line.lineTo(px, py); }
    lastY = py;
  };
  const list = trace.values;
  for (let i = 0; i < list.length; i++) {
    const [t, v] = list[i];
    const next = list[i + 1];
    if (next && next[0] < left) continue;
    if (t > right || x(t) > end) break; // no line where nothing is known yet
    const px = x(t), py = at(v);
    if (px <= now) nowY = py;
    push(Math.max(-4, px), py, i > 0 && t - list[i - 1][0] <= GLIDE_TICKS);
    if (isNotes && view.row > 40 && px - lastLabel > 34 && (!next || x(next[0]) - px > 24)) {
      labels.push([px, py, noteName(v, view.noteNames)]);
      lastLabel = px;
    }
  }
  if (!started) return;
  line.lineTo(end, lastY);
  const body = new Path2D(line);
  body.lineTo(end, y);
  body.lineTo(first, y); // nothing is known before it
  body.closePath();
  g.lineJoin = "miter";
  g.strokeStyle = out ? c.ink2 : c.ink;
  g.save();
  g.beginPath();
  g.rect(0, 0, Math.max(0, now), view.height);
  g.clip();
  g.fillStyle = c.ink;
  g.globalAlpha = out ? 0.05 : 0.13;
  g.fill(body);
  g.globalAlpha = out ? 0.6 : 1;
  g.lineWidth = out ? 2 : 4;
  if (out) g.setLineDash([5, 5]);
  g.stroke(line);
  g.restore();
  g.save();
  g.beginPath();
  g.rect(now, 0, view.width, view.height);
  g.clip();
  g.globalAlpha = out ? 0.5 : 0.75;
  g.lineWidth = 2;
  if (out) g.setLineDash([5, 5]);
  g.stroke(line);
  g.restore();
  if (labels.length) {
    g.font = `italic 17px ${view.serif}`;
    g.textBaseline = "alphabetic";
    g.fillStyle = c.ink;
    for (const [px, py, label] of labels) g.fillText(label, px + 4, py - 5);
  }
  if (nowY !== null && !out && now <= end) {
    g.fillStyle = c.accent;
    g.beginPath();
    g.arc(now, nowY, 5.5, 0, 7);
    g.fill();
  }
}
