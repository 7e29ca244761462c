/** Where the music is now, between the few position messages that arrive each second. */

const SETTLE_MS = 220; // how fast a small correction is worked in
const JUMP_TICKS = 960; // a larger one is a new place, taken at once

export class Pen {
  constructor() {
    this.running = false;
    this.tick = 0;
    this.local = performance.now();
    this.perMs = 0;
    this.bias = 0;
    this.biasAt = 0;
    /** Arrival minus service time of recent messages: the smallest is the least delayed. @type {number[]} */
    this.offsets = [];
  }

  /**
   * @param {number} tick  position at service time `atMs` (the service's monotonic clock)
   * @param {number} atMs
   * @param {number} tempo  quarter notes per minute
   * @param {boolean} running
   */
  fix(tick, atMs, tempo, running) {
    const now = performance.now();
    const was = this.at(now);
    if (this.offsets.length && Math.abs(now - atMs - this.offsets[this.offsets.length - 1]) > 10000) this.offsets = [];
    this.offsets.push(now - atMs);
    if (this.offsets.length > 48) this.offsets.shift();
    this.local = atMs + Math.min(...this.offsets);
    this.tick = tick;
    this.perMs = running ? (tempo * 960) / 60000 : 0;
    this.running = running;
    const is = this.tick + (now - this.local) * this.perMs;
    this.bias = was - is;
    this.biasAt = now;
    if (Math.abs(this.bias) > JUMP_TICKS) { this.bias = 0; return true; }
    return false;
  }

  /** Forget the service's clock: after a new connection it may be another process. */
  forget() { this.offsets = []; }

  /** Position in ticks at `now` (performance.now()). */
  at(now) {
    const bias = this.bias ? this.bias * Math.exp(-(now - this.biasAt) / SETTLE_MS) : 0;
    return this.tick + (now - this.local) * this.perMs + bias;
  }

  /** Whether it will be elsewhere soon: it runs, or a correction is still worked in. */
  moves(now) { return this.running || (this.bias !== 0 && now - this.biasAt < 10 * SETTLE_MS); }
}
