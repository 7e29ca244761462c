/** The rail at the foot, on every view: transport, tempo, and the two ways out of trouble. */

import { attr, button, h, say, text } from "./dom.js";
import { meter } from "./play.js";

const NUDGE_MS = 5;

/** A button that repeats while it is held. */
function repeating(label, act, attrs) {
  let timer = 0;
  return button(label, () => { act(); timer = window.setInterval(act, 160); }, attrs, () => clearInterval(timer));
}

/** @param {import("./link.js").Link} link @param {import("./store.js").Store} store */
export function buildRail(rail, link, store) {
  const ask = async (command) => {
    const result = await link.send(command);
    if (!result.ok && !result.lost) say(result.problem?.detail ?? result.problem?.title ?? "Refused.");
    return result;
  };
  const start = button("Start", () => ask({ do: "start" }));
  const stop = button("Stop", () => ask({ do: "stop" }));
  const cont = button("Continue", () => ask({ do: "continue" }));
  const tap = button("Tap", () => ask({ do: "tap" }), { "aria-label": "Tap the tempo" });
  const bpm = tempoDial(ask, store);
  const early = repeating("‹ early", () => ask({ do: "nudge", ms: -NUDGE_MS }), { class: "k wide-only", "aria-label": `Nudge ${NUDGE_MS} ms ‹ early` });
  const late = repeating("late ›", () => ask({ do: "nudge", ms: NUDGE_MS }), { class: "k wide-only", "aria-label": `Nudge ${NUDGE_MS} ms late ›` });
  const take = button("Take the clock", () => ask({ do: "take-clock" }), { class: "k push" });
  /** Lanes that the last "All out" silenced. @type {string[]} */
  let silenced = [];
  const back = button("Bring back", () => {
    for (const lane of silenced) ask({ do: "mute", lane, muted: false, when: "now" });
    silenced = [];
    back.hidden = true;
  }, { hidden: true });
  const out = button("All out", () => {
    const sounding = Object.entries(store.state.lanes).filter(([, lane]) => !lane.muted).map(([name]) => name);
    if (sounding.length) { silenced = sounding; back.hidden = false; }
    ask({ do: "all-out" });
  }, { class: "k out-all" });
  rail.append(
    h("div", { class: "group", role: "group", "aria-label": "Transport" }, start, stop, cont),
    h("div", { class: "group", role: "group", "aria-label": "Tempo" }, tap, bpm.el, early, late),
    take, back, out);

  store.on(["transport"], ({ transport }) => {
    const { state } = transport;
    attr(start, "aria-pressed", state === "running");
    attr(stop, "aria-pressed", state === "stopped");
    text(start, state === "armed" ? "Armed" : "Start");
  });
  store.on(["clock"], ({ clock }) => {
    attr(take, "aria-disabled", clock.state === "leading");
    take.classList.toggle("alarm", clock.state === "lost" || clock.state === "free");
  });
  store.on(["lanes"], ({ lanes }) => { if (silenced.some((name) => lanes[name] && !lanes[name].muted)) { back.hidden = true; } });
  store.on(["transport", "clock"], () => bpm.update());
}

/** Tempo: drag sideways, or arrow keys; 0.1 BPM a step, ten times that with Page keys. */
function tempoDial(ask, store) {
  const number = h("output", { class: "num" });
  const el = h("div", { class: "k bpm", role: "spinbutton", tabindex: "0", "aria-label": "Tempo", "aria-valuemin": "20", "aria-valuemax": "400" }, number, h("small", { text: "BPM" }));
  let value = 120, finger = null, x = 0, freeAt = 0, sent = 0;
  const show = () => {
    text(number, value.toFixed(1));
    attr(el, "aria-valuenow", value.toFixed(1));
    attr(el, "aria-valuetext", `${value.toFixed(1)} beats a minute`);
  };
  const follows = () => store.state.clock.source !== "internal";
  const move = (by, last = true) => {
    value = Math.min(400, Math.max(20, value + by));
    freeAt = performance.now() + 300;
    show();
    if (last || performance.now() - sent > 60) { sent = performance.now(); ask({ do: "tempo", bpm: Math.round(value * 10) / 10 }); }
  };
  el.addEventListener("pointerdown", (event) => {
    if (finger !== null || event.button !== 0) return;
    if (follows()) { say(`The tempo comes from ${store.state.clock.source}. Take the clock to set it here.`); return; }
    finger = event.pointerId;
    x = event.clientX;
    try { el.setPointerCapture(finger); } catch { finger = null; }
    el.classList.add("down");
  });
  el.addEventListener("pointermove", (event) => {
    if (event.pointerId !== finger) return;
    const by = (event.clientX - x) * 0.1;
    x = event.clientX;
    if (by) move(by, false);
  });
  for (const name of ["pointerup", "pointercancel", "lostpointercapture"]) el.addEventListener(name, (event) => {
    if (/** @type {PointerEvent} */ (event).pointerId !== finger) return;
    finger = null;
    el.classList.remove("down");
    move(0);
  });
  el.addEventListener("contextmenu", (event) => event.preventDefault());
  el.addEventListener("keydown", (event) => {
    const by = { ArrowUp: 0.1, ArrowRight: 0.1, ArrowDown: -0.1, ArrowLeft: -0.1, PageUp: 1, PageDown: -1 }[event.key];
    if (!by) return;
    event.preventDefault();
    if (!follows()) move(by);
  });
  return {
    el,
    update() {
      attr(el, "aria-readonly", follows());
      if (finger !== null || performance.now() < freeAt) return;
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
