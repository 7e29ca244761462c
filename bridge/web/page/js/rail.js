/** The rail at the foot, on every view: transport, tempo, and the two ways out of trouble. */

import { attr, button, h, say, text } from "./dom.js";
import { drag } from "./press.js";
import { meter } from "./play.js";

const NUDGE_MS = 5;
const AGAIN_MS = 2500; // how long a second touch on Start counts
const BOUNCE_MS = 250; // a second touch this soon is the same one

/** A button that repeats while it is held. */
function repeating(label, act, attrs) {
  let timer = 0;
  return button(label, () => { act(); timer = window.setInterval(act, 160); }, attrs, () => clearInterval(timer));
}

/** Pull the beat earlier or later, a little at a time. @param {(command: any) => any} ask @param {string} [more] class names */
export function nudges(ask, more = "") {
  return [[-NUDGE_MS, "‹ early"], [NUDGE_MS, "late ›"]].map(([ms, label]) =>
    repeating(String(label), () => ask({ do: "nudge", ms }), { class: `k ${more}`, "aria-label": `Nudge ${NUDGE_MS} ms ${label}` }));
}

/** Start. While the music runs it would jump to bar 1: that takes a second touch, soon after. */
function startButton(ask, store) {
  let asking = 0, askedAt = -1e9;
  const running = () => store.state.transport.state === "running";
  const calm = () => { clearTimeout(asking); asking = 0; el.classList.remove("alarm"); show(); };
  const el = button("Start", (event) => {
    const waited = event.timeStamp - askedAt;
    if (!running() || (asking && waited > BOUNCE_MS)) { const restart = Boolean(asking); calm(); ask({ do: "start", restart }); }
    else if (!asking) {
      askedAt = event.timeStamp;
      asking = window.setTimeout(calm, AGAIN_MS);
      el.classList.add("alarm");
      show();
      say("It is running. Touch Start again to jump to bar 1.");
    }
  }, { class: "k start" });
  const show = () => {
    attr(el, "aria-pressed", running() && !asking);
    text(el, asking ? "Bar 1?" : store.state.transport.state === "armed" ? "Armed" : "Start");
  };
  store.on(["transport"], () => { if (asking && !running()) calm(); else show(); });
  return el;
}

/** @param {import("./link.js").Link} link @param {import("./store.js").Store} store */
export function buildRail(rail, link, store) {
  const ask = async (command) => {
    const result = await link.send(command);
    if (!result.ok && !result.lost) say(result.problem?.detail ?? result.problem?.title ?? "Refused.");
    return result;
  };
  const start = startButton(ask, store);
  const stop = button("Stop", () => ask({ do: "stop" }));
  const cont = button("Continue", () => ask({ do: "continue" }));
  const tap = button("Tap", () => ask({ do: "tap" }), { "aria-label": "Tap the tempo" });
  const bpm = tempoDial(ask, store);
  const take = button("Take the clock", () => ask({ do: "take-clock" }), { class: "k take" });
  const solos = () => Object.keys(store.state.lanes).filter((name) => store.state.lanes[name].solo);
  const unsolo = button("End solo", () => { for (const lane of solos()) ask({ do: "solo", lane, on: false }); }, { class: "k unsolo", hidden: true });
  /** Lanes that the last "All out" silenced, and whether the service has said so. @type {string[]} */
  let silenced = [], seen = false;
  const back = button("Bring back", () => {
    for (const lane of silenced) ask({ do: "mute", lane, muted: false, when: "now" });
    silenced = [];
    back.hidden = true;
  }, { hidden: true });
  const out = button("All out", () => {
    const sounding = Object.entries(store.state.lanes).filter(([, lane]) => !lane.muted).map(([name]) => name);
    if (sounding.length) { silenced = sounding; seen = false; back.hidden = false; }
    ask({ do: "all-out" });
  }, { class: "k out-all" });
  rail.append(
    h("div", { class: "group", role: "group", "aria-label": "Transport" }, start, stop, cont),
    h("div", { class: "group", role: "group", "aria-label": "Tempo" }, tap, bpm.el, ...nudges(ask, "wide-only")),
    h("div", { class: "group push" }, take, unsolo, back, out));

  store.on(["transport"], ({ transport }) => {
    const { state } = transport;
    attr(stop, "aria-pressed", state === "stopped");
  });
  store.on(["clock"], ({ clock }) => {
    attr(take, "aria-disabled", clock.state === "leading");
    take.classList.toggle("alarm", clock.state === "lost" || clock.state === "free");
  });
  store.on(["lanes"], () => { unsolo.hidden = !solos().length; });
  store.on(["lanes"], ({ lanes }) => {
    const sounds = silenced.some((name) => lanes[name] && !lanes[name].muted);
    if (!sounds) seen = true; // what comes before that is from before "All out"
    else if (seen) back.hidden = true;
  });
  store.on(["transport", "clock"], () => bpm.update());
}

/** Tempo: drag sideways, or arrow keys; 0.1 BPM a step, ten times that with Page keys. */
function tempoDial(ask, store) {
  const number = h("output", { class: "num" });
  const el = h("div", { class: "k bpm", role: "spinbutton", tabindex: "0", "aria-label": "Tempo" }, number, h("small", { text: "BPM" }));
  let value = 120, freeAt = 0, sent = 0;
  const show = () => {
    text(number, value.toFixed(1));
    attr(el, "aria-valuenow", value.toFixed(1));
    attr(el, "aria-valuetext", `${value.toFixed(1)} beats a minute`);
  };
  const follows = () => store.state.clock.source !== "internal";
  const move = (by, last = true) => {
    const { low, high } = store.state.limits.tempo.bpm;
    value = Math.min(high, Math.max(low, value + by));
    freeAt = performance.now() + 300;
    show();
    if (last || performance.now() - sent > 60) { sent = performance.now(); ask({ do: "tempo", bpm: Math.round(value * 10) / 10 }); }
  };
  const hand = drag(el, {
    begin() {
      if (follows()) { say(`The tempo comes from ${store.state.clock.source}. Take the clock to set it here.`); return false; }
      el.classList.add("down");
      return true;
    },
    move(finger, dx) { if (dx) move(dx * 0.1, false); },
    end() { el.classList.remove("down"); move(0); },
  });
  el.addEventListener("keydown", (event) => {
    const by = { ArrowUp: 0.1, ArrowRight: 0.1, ArrowDown: -0.1, ArrowLeft: -0.1, PageUp: 1, PageDown: -1 }[event.key];
    if (!by) return;
    event.preventDefault();
    if (!follows()) move(by);
  });
  store.on(["limits"], ({ limits: { tempo: { bpm } } }) => {
    attr(el, "aria-valuemin", bpm.low);
    attr(el, "aria-valuemax", bpm.high);
  });
  return {
    el,
    update() {
      attr(el, "aria-readonly", follows());
      if (hand.finger || performance.now() < freeAt) return;
      value = (follows() ? store.state.clock.tempo : store.state.transport.tempo) || value;
      show();
    },
  };
}

/** Bar, beat and tempo in the header. Returns a function to call each frame. */
export function buildPlace(place, store, pen) {
  const bar = h("b", { class: "num" }), beat = h("b", { class: "num" }), tempo = h("b", { class: "num" });
  place.append(h("span", {}, bar, h("small", { text: "bar" })), h("span", {}, beat, h("small", { text: "beat" })), h("span", { class: "bpm-read" }, tempo, h("small", { text: "BPM" })));
  store.on(["transport", "clock"], ({ transport, clock }) => text(tempo, ((clock.source !== "internal" && clock.tempo) || transport.tempo || 0).toFixed(1)));
  return (now) => {
    const size = meter(store.state);
    const tick = Math.max(0, pen.at(now));
    text(bar, String(Math.floor(tick / size.bar) + 1));
    text(beat, String(Math.floor((tick % size.bar) / size.beat) + 1));
  };
}
