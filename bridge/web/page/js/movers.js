/** Who else moves what: another page, a controller, OSC, HTTP, and which macros and lanes. */

import { say } from "./dom.js";

/** A word or two for where there is little room. @type {Record<string, string>} */
const SHORT = { page: "page", osc: "OSC", http: "HTTP", midi: "knob" };
/** What is not drawn with its own hand, and how a sentence begins that tells of it. @type {Record<string, string>} */
const TOLD = { transport: "Transport", clock: "Clock", tempo: "Tempo", order: "Running order", "all lanes": "All lanes" };

/** The hand of somebody else that is on one of these, or was a moment ago.
 * @param {import("./types.js").State} state @param {...string} things such as `lane/rim`
 * @returns {{short: string, says: string}|null} */
export function moverOf(state, ...things) {
  const one = things.map((thing) => state.moved_by?.[thing]).find(Boolean);
  return one ? { short: SHORT[one.client.split(" ")[0]] ?? "", says: one.says } : null;
}

/** Tells in the line at the foot who has touched what has no place of its own.
 * @param {import("./store.js").Store} store */
export function tellMovers(store) {
  /** @type {Record<string, string>} */
  let known = {};
  store.on(["moved_by"], ({ moved_by = {} }) => {
    const now = Object.fromEntries(Object.entries(moved_by).filter(([thing]) => thing in TOLD).map(([thing, one]) => [thing, one.says]));
    for (const [thing, who] of Object.entries(now)) if (known[thing] !== who) say(`${TOLD[thing]}: moved by ${who}.`);
    known = now;
  });
}

/** What drives a setting of a lane, in words: `flotsam +0.4`. @param {any} data the set as it is written
 * @param {string} lane @param {string} setting */
export function driversOf(data, lane, setting) {
  const all = [...Object.entries(data.macros ?? {}), ...Object.entries(data.lanes ?? {})];
  return all.flatMap(([name, one]) => (one.drives ?? []).filter((d) => d.lane === lane && d.setting === setting)
    .map((d) => `${name}${typeof d.depth === "number" ? ` ${d.depth < 0 ? "−" : "+"}${Math.abs(d.depth)}` : ""}`));
}
