/** Two quiet signs, the clock and the health of it all, that become loud only when it matters. */

import { attr, h, text } from "./dom.js";
import { RecentLateness } from "./late.js";

// Listeners notice about 6 ms in an even pulse (Friberg and Sundberg, J. Acoust. Soc. Am. 98, 1995).
const HEARD_US = 6000;
const NOTE_MS = 50, SLOW_MS = 150; // there and back; fingers begin to feel the first, miss beats by the second

/** @returns {["good"|"note"|"loud", string]} */
export function clockSign({ source, state, others, two }) {
  const who = source === "internal" ? "the internal clock" : `${source}`;
  const rest = Object.keys(others ?? {}).length;
  if (two?.length && source !== "internal") return ["loud", `two clocks from ${who}: ${two.join(" and ")} BPM`];
  switch (state) {
    case "internal": return ["good", rest ? `internal, ${rest} ignored` : "internal"];
    case "locked": return ["good", `locked to ${who}`];
    case "waiting": return ["note", `waiting for ${who}`];
    case "alone": return ["loud", `running on: ${who} is silent`];
    case "lost": return ["loud", `lost: ${who}`];
    default: return ["note", String(state ?? "no clock")];
  }
}

/**
 * One sign for lateness, ports and link.
 * @param {import("./store.js").State} state
 * @param {number|null} tripMs
 * @param {boolean} [sleepy] the screen may go dark by itself
 * @param {import("./late.js").Figures} [recent] lateness of the last half minute
 * @returns {["good"|"note"|"loud", string]}
 */
export function healthSign(state, tripMs, sleepy = false, recent = undefined) {
  if (state.player?.present === false) return ["loud", "player restarting"];
  const shut = Object.entries(state.ports ?? {}).filter(([, port]) => !port.open);
  const gone = shut.filter(([, port]) => !port.waiting).map(([name]) => name);
  if (gone.length) return ["loud", `${gone.join(", ")}: port lost`];
  if (shut.length) return ["loud", `waiting for ${shut.map(([, port]) => port.port).join(", ")}`];
  // One late message is worth a word; several, and more than one of a hundred, are worth shouting.
  const often = recent && recent.late > 1 && recent.late * 100 > recent.count;
  if (recent && often) return ["loud", `late by ${(recent.p99_us / 1000).toFixed(0)} ms`];
  if (tripMs !== null && tripMs > SLOW_MS) return ["loud", `slow link, ${tripMs.toFixed(0)} ms`];
  if (sleepy) return ["note", "screen may sleep"];
  if (tripMs !== null && tripMs > NOTE_MS) return ["note", `link ${tripMs.toFixed(0)} ms`];
  if (recent && recent.worst_us > HEARD_US) return ["note", `one was ${(recent.worst_us / 1000).toFixed(0)} ms late`];
  if (recent && recent.count >= 100 && recent.p99_us > 1000) return ["note", `late by ${(recent.p99_us / 1000).toFixed(1)} ms`];
  if (state.document?.notes?.length) return ["note", "about the set's file"];
  if (state.warnings?.length) return ["note", state.warnings.length === 1 ? "1 warning" : `${state.warnings.length} warnings`];
  return ["good", "on time"];
}

/** What was counted of lateness while this page is open. */
export const recent = new RecentLateness();

/** @param {HTMLElement} root @param {import("./link.js").Link} link @param {import("./store.js").Store} store
 * @param {import("./stage.js").WakeLock} wake @param {(which: string, opener: HTMLElement) => void} openPanel */
export function buildSigns(root, link, store, wake, openPanel) {
  const make = (which, label) => h("button", { type: "button", class: "sign", "data-level": "good", "aria-haspopup": "dialog", "data-sign": which, title: label, on: { click: (event) => openPanel(which, event.currentTarget) } }, h("span"));
  const clock = make("clock", "Clock"), health = make("health", "How it runs");
  root.append(clock, health);
  const show = () => {
    if (!store.state.version) return;
    recent.add(store.state.lateness, performance.now());
    for (const [el, [level, words]] of /** @type {[HTMLElement, [string, string]][]} */ ([[clock, clockSign(store.state.clock)], [health, healthSign(store.state, link.trip(0.8), wake.worth, recent.figures())]])) {
      attr(el, "data-level", level);
      text(/** @type {HTMLElement} */ (el.firstChild), words);
    }
  };
  store.on(["clock", "ports", "lateness", "warnings", "player", "document"], show);
  setInterval(show, 1000);
}
