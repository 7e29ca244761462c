/** What has been and will be played, lane by lane, as the chart draws it. */

import { silent } from "./store.js";

/**
 * @typedef {{t: number, l: number, d: number, c: string[], o?: boolean}} Mark a hit: tick, level,
 *   length, causing lanes, and (once past) whether the lane was out
 * @typedef {{hits: Mark[], values: [number, number][], isValue: boolean, low: number, high: number}} Trace
 */

const KEEP_TICKS = 5 * 3840;

export class Ink {
  constructor() {
    /** @type {Map<string, Trace>} */
    this.traces = new Map();
    this.to = 0;
    this.version = 0; // counts what has changed
    /** Whether each lane is silent at present. @type {Map<string, boolean>} */
    this.quiet = new Map();
  }

  clear() { this.traces.clear(); this.to = 0; this.version++; }

  /**
   * Take in a chart message. What lies before `now` has happened and stays as it was drawn.
   * @param {{from: number, to: number, lanes: Record<string, any>}} chart
   * @param {number} now tick
   * @param {string[]} names lanes in their order: causes may come as positions
   */
  add(chart, now, names) {
    if (chart.from > this.to + 960 || now < chart.from - 3840) this.clear();
    this.version++;
    const cut = this.to ? Math.max(chart.from, Math.min(now, this.to)) : chart.from;
    this.to = chart.to;
    for (const name of [...this.traces.keys()]) if (!(name in chart.lanes)) this.traces.delete(name);
    for (const [name, lane] of Object.entries(chart.lanes)) {
      const old = this.traces.get(name);
      const from = old ? cut : chart.from;
      const floor = now - KEEP_TICKS;
      if (lane.values) {
        const values = (old?.values ?? []).filter(([t]) => t < from && t > floor);
        for (const value of lane.values) if (value[0] >= from || !values.length) values.push(value);
        values.sort((a, b) => a[0] - b[0]);
        let low = Infinity, high = -Infinity;
        for (const [, v] of values) { if (v < low) low = v; if (v > high) high = v; }
        this.traces.set(name, { hits: [], values, isValue: true, low, high });
      } else {
        const hits = (old?.hits ?? []).filter(({ t }) => t < from && t > floor);
        for (const [t, l, d, c] of lane.hits ?? []) {
          if (t < from) continue;
          hits.push({ t, l, d, c: (c ?? []).map((who) => (typeof who === "number" ? names[who] : who)) });
        }
        this.traces.set(name, { hits, values: [], isValue: false, low: 0, high: 1 });
      }
    }
  }

  /** Lanes are silent or not from this tick on. @param {number} tick @param {Record<string, import("./store.js").LaneState>} lanes */
  hear(tick, lanes) {
    this.settle(tick);
    this.quiet = new Map(Object.entries(lanes).map(([name, lane]) => [name, silent(lane)]));
  }

  /** Note of every hit that has passed whether its lane was silent then: it stays as it was. */
  settle(tick) {
    for (const [name, { hits }] of this.traces) {
      const quiet = this.quiet.get(name) ?? false;
      for (const mark of hits) if (mark.t <= tick && mark.o === undefined) mark.o = quiet;
    }
  }

  /** Value of a value lane at a tick (the line is a staircase), or null. */
  valueAt(name, tick) {
    const values = this.traces.get(name)?.values;
    if (!values?.length) return null;
    let value = values[0][1];
    for (const [t, v] of values) { if (t > tick) break; value = v; }
    return value;
  }
}

const LINE = 12; // letters of one line on the narrowest head

/** Whether a name needs more than one line on a head or a macro. @param {string} name */
export const isLong = (name) => (name.length > LINE ? "yes" : null);

/** Names in one line or two. What does not fit is left out in the middle; where that would make two
 * of them alike, what tells them apart is shown instead.
 * @param {string[]} names @returns {Map<string, string[]>} */
export function linesOfNames(names) {
  const lines = new Map(names.map((name) => [name, linesOf(name)]));
  for (const [name, shown] of lines) {
    const alike = names.filter((other) => other !== name && linesOf(other).join() === shown.join());
    if (!alike.length) continue;
    const apart = Math.min(...alike.map((other) => [...name].findIndex((letter, i) => letter !== other[i])));
    lines.set(name, [`${name.slice(0, LINE - 8)}…${name.slice(apart, apart + 7)}`, name.slice(-LINE)]);
  }
  return lines;
}

/** @param {string} name @returns {string[]} */
function linesOf(name) {
  if (name.length <= LINE) return [name];
  if (name.length > 2 * LINE) return [`${name.slice(0, LINE - 1)}…`, name.slice(-LINE)];
  const breaks = [...name.matchAll(/[- ]/g)].map((m) => m.index + 1).filter((i) => i <= LINE && name.length - i <= LINE);
  const middle = name.length / 2;
  const at = breaks.sort((a, b) => Math.abs(a - middle) - Math.abs(b - middle))[0] ?? LINE;
  return [name.slice(0, at), name.slice(at)];
}

/** Whether the values of a lane are notes wherever it goes. @param {import("./store.js").LaneState} lane */
export const hasNotes = (lane) => lane.kind === "notes" || lane.kind === "arpeggio";

/**
 * Note name of a MIDI number: A4 is 69, C4 is 60. The octave follows the letter: Cb4 is 59.
 * @param {number} number @param {string[]} names the twelve notes from C as the key of the set
 *   writes them, from the state (`note_names`)
 */
export function noteName(number, names) {
  const n = Math.round(number), name = names[((n % 12) + 12) % 12];
  const sharps = name.split("#").length - name.slice(1).split("b").length;
  return `${name}${Math.floor((n - sharps) / 12) - 1}`;
}
