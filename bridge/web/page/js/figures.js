/** What stands behind the two signs: figures of the clock, of lateness and of links. */

import { h } from "./dom.js";
import { nudges } from "./nudge.js";
import { clockSign, recent } from "./signs.js";

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
  const follow = (source) => h("button", { type: "button", class: "k", text: source === "internal" ? "Internal clock" : `Follow ${source}`, on: { click: () => link.send({ do: "follow", source }) } });
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
