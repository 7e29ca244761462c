/** Two quiet signs, the clock and the health of it all, that become loud only when it matters. */

import { attr, h, text } from "./dom.js";
import { RecentLateness } from "./late.js";
import { nudges } from "./rail.js";

// Listeners notice about 6 ms in an even pulse (Friberg and Sundberg, J. Acoust. Soc. Am. 98, 1995).
const HEARD_US = 6000;
const NOTE_MS = 50, SLOW_MS = 150; // there and back; fingers begin to feel the first, miss beats by the second

/** @returns {["good"|"note"|"loud", string]} */
export function clockSign({ source, state, others, two }) {
  const who = source === "internal" ? "our clock" : `${source}`;
  const rest = Object.keys(others ?? {}).length;
  if (two?.length && source !== "internal") return ["loud", `two clocks from ${who}: ${two.join(" and ")} BPM`];
  switch (state) {
    case "leading": return ["good", rest ? `leading, ${rest} ignored` : "leading"];
    case "locked": return ["good", `locked to ${who}`];
    case "waiting": return ["note", `waiting for ${who}`];
    case "free": return ["loud", `free: ${who} is silent`];
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
  if (state.player?.present === false) return ["loud", "the player is away"];
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

const row = (term, words) => [h("dt", { text: term }), h("dd", { text: words })];

/** What stands behind the health sign. */
export function healthPanel(state, link) {
  const late = state.lateness ?? {};
  const ms = (us) => (us === undefined || us === null ? "none yet" : `${(us / 1000).toFixed(2)} ms`);
  const bars = h("div", { class: "bars", role: "img", "aria-label": "Histogram of lateness" });
  /** Doublings are fine enough to read on stage. @type {Map<number, number>} */
  const octaves = new Map();
  for (const [upper, count] of late.histogram ?? []) {
    const edge = 2 ** Math.ceil(Math.log2(Math.max(8, upper)) - 0.01);
    octaves.set(edge, (octaves.get(edge) ?? 0) + count);
  }
  const most = Math.max(1, ...octaves.values());
  for (const [edge, count] of octaves) {
    const bar = h("i");
    bar.style.setProperty("--w", `${(count / most) * 100}%`);
    bars.append(h("span", { text: edge < 1000 ? `to ${edge} µs` : `to ${(edge / 1000).toFixed(0)} ms` }), bar, h("span", { text: String(count) }));
  }
  const trip = link.trip(0.95), now = recent.figures();
  // Both are of the player's own clock, which is no time of day.
  const age = (state.transport?.at_ms - late.since) / 60000;
  const since = age < 1 ? "less than a minute ago" : age < 120 ? `${Math.floor(age)} min ago` : `${Math.floor(age / 60)} h ago`;
  return [
    h("h3", { text: "Lateness in the last half minute" }),
    h("dl", {}, ...row("half within", now.count ? ms(now.p50_us) : "nothing sent"), ...row("99 of 100 within", now.count ? ms(now.p99_us) : "nothing sent"), ...row("worst", now.count ? ms(now.worst_us) : "nothing sent")),
    h("h3", { text: "Lateness tonight" }),
    h("dl", {}, ...row("half within", ms(late.p50_us)), ...row("99 of 100 within", ms(late.p99_us)), ...row("worst tonight", ms(late.worst_us)), ...row("sent", String(late.count ?? 0)), ...(age >= 0 ? row("counted since", since) : [])),
    bars,
    h("h3", { text: "Links" }),
    h("dl", {}, ...row("this page", trip === null ? "no answer yet" : `${trip.toFixed(0)} ms there and back (95 of 100)`),
      ...Object.entries(state.ports ?? {}).flatMap(([name, port]) => row(name, `${port.port}, ${port.open ? "present" : port.waiting ? "not there yet: it is waited for" : "lost"}`)),
      ...row("player", `${state.player?.realtime ? "real-time priority" : "normal priority"}, started again ${state.player?.restarts ?? 0} times`)),
    state.document?.notes?.length ? h("h3", { text: "The set's file" }) : null,
    state.document?.notes?.length ? h("ul", {}, ...state.document.notes.map((note) => h("li", { text: note }))) : null,
    state.warnings?.length ? h("h3", { text: "Warnings" }) : null,
    state.warnings?.length ? h("ul", {}, ...state.warnings.map((w) => h("li", { text: w }))) : null,
  ];
}

/** What stands behind the clock sign. */
export function clockPanel(state, link) {
  const { clock } = state;
  const [, words] = clockSign(clock);
  const others = Object.entries(clock.others ?? {});
  const follow = (source) => h("button", { type: "button", class: "k", text: source === "internal" ? "Our own clock" : `Follow ${source}`, on: { click: () => link.send({ do: "follow", source }) } });
  return [
    h("p", { text: `The clock is ${words}.` }),
    h("dl", {}, ...row("tempo", `${(clock.tempo ?? 0).toFixed(2)} BPM`), ...row("jitter", `${(clock.jitter_ms ?? 0).toFixed(2)} ms`), ...(clock.block_ms ? row("comes in blocks of", `${clock.block_ms} ms; their mean lateness, ${(clock.block_ms / 2).toFixed(1)} ms, is taken out`) : []), ...row("offset", `${(clock.offset_ms ?? 0).toFixed(1)} ms`)),
    h("h3", { text: "Offset against the other side" }),
    offsetField(clock, link),
    h("div", { role: "group", "aria-label": "Nudge the beat" }, ...nudges((command) => link.send(command))),
    h("h3", { text: "Follow" }),
    h("div", {}, ...["internal", ...others.map(([name]) => name)].filter((name) => name !== clock.source).map(follow)),
    others.length ? h("p", { text: others.map(([name, n]) => `${name}: ${n} clocks heard and ignored`).join("; ") }) : h("p", { text: "No other clock is heard." }),
  ];
}

function offsetField(clock, link) {
  const { low, high } = link.store.state.limits.offset?.ms ?? /** @type {import("./types.js").FieldLimits} */ ({});
  const input = /** @type {HTMLInputElement} */ (h("input", { type: "number", min: low, max: high, step: "0.1", ".value": String(clock.offset_ms ?? 0), "aria-label": "Offset in ms, below 0 plays earlier" }));
  input.addEventListener("change", () => { if (input.checkValidity()) link.send({ do: "offset", ms: Number(input.value) }); });
  return h("p", {}, input, " ms (below 0: play earlier)");
}
