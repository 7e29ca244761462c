/** The rail at the foot, on every view: transport, tempo, and the two ways out of trouble. */

import { attr, button, h, say, text, tool } from "./dom.js";
import { meter } from "./meter.js";

const AGAIN_MS = 2500; // how long a second touch on Start counts
const BOUNCE_MS = 250; // a second touch this soon is the same one

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
    text(el, asking ? "Bar 1?" : store.state.transport.state === "armed" ? "Armed" : "Start");
  };
  store.on(["transport"], () => { if (asking && !running()) calm(); else show(); });
  return el;
}

/** Whether the tempo comes from somebody else's clock. @param {import("./store.js").Store} store */
export const follows = (store) => store.state.clock.source !== "internal";

/** Sends a command, and says what is said against it. @param {import("./link.js").Link} link */
export const asker = (link) => async (/** @type {import("./types.js").Command} */ command) => {
  const result = await link.send(command);
  if (!result.ok && !result.lost) say(result.problem?.detail ?? result.problem?.title ?? "Refused.");
  return result;
};

/** The tempo, and the way to what changes it: that stands in a panel, out of the way of thumbs.
 * @param {import("./store.js").Store} store @param {(which: string, opener: HTMLElement) => void} openPanel */
function tempoButton(store, openPanel) {
  const number = h("span", { class: "num" });
  const el = tool([h("span", { class: "sr", text: "Tempo" }), " ", number, " ", h("small", { text: "BPM" })], () => openPanel("tempo", el), { class: "k tool bpm", "aria-haspopup": "dialog" });
  store.on(["transport", "clock"], ({ transport, clock }) => {
    text(number, ((follows(store) && clock.tempo) || transport.tempo || 0).toFixed(1));
  });
  return el;
}

/** @param {import("./link.js").Link} link @param {import("./store.js").Store} store
 * @param {(which: string, opener: HTMLElement) => void} openPanel */
export function buildRail(rail, link, store, openPanel) {
  const ask = asker(link);
  const start = startButton(ask, store);
  const stop = button("Stop", () => ask({ do: "stop" }), { class: "k stop" });
  const cont = button("Continue", () => ask({ do: "continue" }), { class: "k cont" });
  const internal = button("Internal clock", () => ask({ do: "internal-clock" }), { class: "k internal", hidden: true });
  const solos = () => Object.keys(store.state.lanes).filter((name) => store.state.lanes[name].solo);
  const unsolo = button("End solo", () => { for (const lane of solos()) ask({ do: "solo", lane, on: false }); }, { class: "k unsolo", hidden: true });
  /** Lanes that the last "Mute all" silenced, and whether the service has said so. @type {string[]} */
  let silenced = [], seen = false;
  const back = button("Bring back", () => {
    for (const lane of silenced) ask({ do: "mute", lane, muted: false, when: "now" });
    silenced = [];
    back.hidden = true;
  }, { class: "k bring", hidden: true });
  const out = button("Mute all", () => {
    const sounding = Object.entries(store.state.lanes).filter(([, lane]) => !lane.muted).map(([name]) => name);
    if (sounding.length) { silenced = sounding; seen = false; back.hidden = false; }
    ask({ do: "mute-all" });
  }, { class: "k out-all" });
  rail.append(
    h("div", { class: "group", role: "group", "aria-label": "Transport" }, start, stop, cont),
    tempoButton(store, openPanel),
    h("div", { class: "group push" }, internal, unsolo, back, out));

  store.on(["clock"], ({ clock }) => {
    internal.hidden = clock.state === "internal"; // it is in use
    internal.classList.toggle("alarm", clock.state === "lost" || clock.state === "alone");
  });
  store.on(["lanes"], () => { unsolo.hidden = !solos().length; });
  store.on(["lanes"], ({ lanes }) => {
    const sounds = silenced.some((name) => lanes[name] && !lanes[name].muted);
    if (!sounds) seen = true; // what comes before that is from before "Mute all"
    else if (seen) back.hidden = true;
  });
}

/** Bar, beat and tempo in the header. Returns a function to call each frame. */
export function buildPlace(place, store, pen) {
  const lamp = h("i", { class: "lamp", role: "img" });
  const bar = h("b", { class: "num" }), beat = h("b", { class: "num" }), tempo = h("b", { class: "num" });
  store.on(["transport"], ({ transport: { state } }) => { attr(lamp, "data-state", state); attr(lamp, "aria-label", `The music is ${state}`); attr(lamp, "title", state); });
  place.append(lamp, h("span", {}, bar, h("small", { text: "bar" })), h("span", {}, beat, h("small", { text: "beat" })), h("span", { class: "bpm-read" }, tempo, h("small", { text: "BPM" })));
  store.on(["transport", "clock"], ({ transport, clock }) => text(tempo, ((clock.source !== "internal" && clock.tempo) || transport.tempo || 0).toFixed(1)));
  return (now) => {
    const size = meter(store.state);
    const tick = Math.max(0, pen.at(now));
    text(bar, String(Math.floor(tick / size.bar) + 1));
    text(beat, String(Math.floor((tick % size.bar) / size.beat) + 1));
  };
}
