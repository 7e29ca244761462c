/** The painter in a worker of its own: frames come to it without the page's own thread. */

import { Ink } from "./ink.js";
import { Painter } from "./painter.js";
import { Pen } from "./pen.js";

/**
 * @typedef {import("./painter.js").Told & {sent: number, awake?: boolean, clear?: boolean, ask?: boolean,
 *   pen?: Pick<Pen, "running"|"tick"|"local"|"perMs"|"bias"|"biasAt">,
 *   chart?: {chart: any, tick: number, names: string[]}}} Message what the page says: when (by its own clock),
 *   whether anybody looks, that all ink is gone, a question whether we still work, where the music is, and new ink
 */

if (typeof requestAnimationFrame !== "function") throw new Error("This browser has no frames in workers.");

const ink = new Ink(), pen = new Pen(), painter = new Painter(ink, pen);
let awake = true, asked = false;
/** Our clock minus the page's. A message that had to wait makes it seem larger, so the least is right. */
let offset = Infinity;
/** Of the page's clock. @type {Message["pen"]|null} */
let place = null;

function put() {
  if (place) Object.assign(pen, place, { local: place.local + offset, biasAt: place.biasAt + offset });
}

/** @param {MessageEvent<Message>} event */
onmessage = ({ data: { sent, pen: moved, clear, chart, awake: looked, ask: asks, ...told } }) => {
  const now = performance.now();
  offset = Math.min(offset, now - sent);
  if (moved) place = moved;
  put();
  if (clear) ink.clear();
  if (chart) ink.add(chart.chart, chart.tick, chart.names);
  if (looked !== undefined) awake = looked;
  if (asks) postMessage(painter.cost);
  if (Object.keys(told).length) painter.take(told, now);
  if (told.shapes && awake) painter.frame(now); // a canvas of a new size is empty: nobody shall see it so
  ask();
};

function ask() {
  if (asked || !awake) return;
  asked = true;
  requestAnimationFrame(frame);
}

function frame(now) {
  asked = false;
  if (!awake) return;
  if (painter.frame(now)) ask();
}
