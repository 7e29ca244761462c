/** How late messages left in the last half minute, from figures that count the whole night. */

export const WINDOW_MS = 30000;
const STEP_MS = 1000; // between the figures that are kept
const LATE_US = 3000;

/** @typedef {import("./types.js").LatenessState} Counted what the state says of lateness */
/** @typedef {{count: number, late: number, p50_us: number, p99_us: number, worst_us: number}} Figures `late`: how many left more than 3 ms late */

export class RecentLateness {
  constructor() {
    /** Oldest first; the first is as old as the window or older. @type {{at: number, counted: Counted}[]} */
    this.kept = [];
  }

  /** @param {Counted|null|undefined} counted @param {number} now ms */
  add(counted, now) {
    if (!counted?.histogram) return;
    const last = this.kept.at(-1);
    if (last && (counted.since !== last.counted.since || counted.count < last.counted.count)) this.kept = []; // another count
    const before = this.kept.at(-2);
    if (last && before && last.at - before.at < STEP_MS) this.kept.pop();
    this.kept.push({ at: now, counted });
    while (this.kept.length > 1 && this.kept[1].at <= now - WINDOW_MS) this.kept.shift();
  }

  /** The last half minute, or since this page came if that is less. @returns {Figures} */
  figures() {
    const none = { count: 0, late: 0, p50_us: 0, p99_us: 0, worst_us: 0 };
    if (!this.kept.length) return none;
    const from = this.kept[0].counted, to = this.kept[this.kept.length - 1].counted;
    const old = new Map(/** @type {[number, number][]} */ (from.histogram));
    const rows = to.histogram.map(([upper, count]) => /** @type {[number, number]} */ ([upper, count - (old.get(upper) ?? 0)])).filter(([, count]) => count > 0).sort((a, b) => a[0] - b[0]);
    const count = rows.reduce((sum, [, n]) => sum + n, 0);
    if (!count) return none;
    const within = (share) => {
      let seen = 0;
      for (const [upper, n] of rows) { seen += n; if (seen >= share * count) return Math.min(upper, to.worst_us); }
      return to.worst_us;
    };
    return { count, late: rows.reduce((sum, [upper, n]) => sum + (upper > LATE_US ? n : 0), 0), p50_us: within(0.5), p99_us: within(0.99), worst_us: within(1) };
  }
}
