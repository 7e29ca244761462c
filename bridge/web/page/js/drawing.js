/** Where the playing view is drawn: by a worker, or here where a browser has no canvas for one or its worker fails or hangs. */

import { inksOfTheme, sharpness } from "./chart.js";
import { Painter } from "./painter.js";

/** @typedef {import("./painter.js").Told} Told */

const ASK_MS = 1000; // between two questions to the worker, while somebody looks
const MOST_ASKED = 4; // unanswered questions; not seconds, as a page that slept or was busy has asked nothing
const LOADING = -10; // where the count starts, since the worker's script must be loaded first

export class Drawing {
  /** @param {import("./ink.js").Ink} ink @param {import("./pen.js").Pen} pen
   * @param {() => void} lost called when the worker has failed: what it was told is to be told anew */
  constructor(ink, pen, lost) {
    this.ink = ink;
    this.pen = pen;
    /** Kept for the curious; see the painter's. */
    this.cost = { frames: 0, mean: 0 };
    this.awake = false;
    this.asked = LOADING;
    /** Draws here, unless a worker does. @type {Painter|null} */
    this.painter = null;
    /** @type {Worker|null} */
    this.worker = this.hire(lost);
    if (!this.worker) this.drawHere();
    this.theme();
  }

  /** @returns {Worker|null} */
  hire(lost) {
    if (typeof Worker !== "function" || !("transferControlToOffscreen" in HTMLCanvasElement.prototype)) return null;
    let worker;
    try { worker = new Worker(new URL("paint-worker.js", import.meta.url), { type: "module", name: "paint" }); }
    catch { return null; } // a browser may refuse one
    worker.onmessage = ({ data }) => { this.asked = 0; Object.assign(this.cost, data); };
    const failed = (why) => {
      if (this.worker !== worker) return;
      console.warn(`The charts are drawn on the page's own thread now: their worker has failed. ${why ?? ""}`);
      worker.terminate();
      clearInterval(watch);
      this.worker = null;
      this.drawHere();
      this.theme();
      lost();
    };
    worker.onerror = ({ message }) => failed(message);
    worker.onmessageerror = () => failed("");
    const watch = setInterval(() => {
      if (!this.awake) return;
      if (this.asked < MOST_ASKED) { this.asked++; this.post({ ask: true }); }
      else failed("It does not answer.");
    }, ASK_MS);
    return worker;
  }

  drawHere() {
    this.painter = new Painter(this.ink, this.pen);
    this.cost = this.painter.cost;
  }

  /** @param {Told} told @param {Transferable[]} [given] */
  tell(told, given) {
    if (this.painter) this.painter.take(told, performance.now());
    else this.post(told, given);
  }

  /** @param {Omit<import("./paint-worker.js").Message, "sent">} message @param {Transferable[]} [given] */
  post(message, given = []) { this.worker?.postMessage({ ...message, sent: performance.now() }, given); }

  /** New canvases, one pair for each bank. @param {{canvas: HTMLCanvasElement, lamps: HTMLCanvasElement}[]} sheets */
  sheets(sheets) {
    if (!this.worker) { this.tell({ sheets }); return; }
    const given = sheets.map(({ canvas, lamps }) => ({ canvas: canvas.transferControlToOffscreen(), lamps: lamps.transferControlToOffscreen() }));
    this.post({ sheets: given }, given.flatMap(({ canvas, lamps }) => [canvas, lamps]));
  }

  theme() { this.tell({ inks: inksOfTheme(), ratio: sharpness() }); }

  // A painter here draws with the page's own pen and ink.

  /** The pen has been put right. @param {boolean} elsewhere so far that all ink is gone */
  moved(elsewhere) {
    const { running, tick, local, perMs, bias, biasAt } = this.pen;
    this.post({ pen: { running, tick, local, perMs, bias, biasAt }, clear: elsewhere });
  }

  /** A chart has come. @param {any} chart @param {number} tick @param {string[]} names */
  charted(chart, tick, names) { this.post({ chart: { chart, tick, names } }); }

  /** Whether anybody looks. */
  look(awake) {
    if (awake !== this.awake) this.asked = Math.min(this.asked, 0);
    this.awake = awake;
    this.post({ awake });
  }
}
