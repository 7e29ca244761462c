/** The panel of the tempo: setting it, tapping it, and pulling the beat against the other side. */

import { attr, button, h, say, text, tool } from "./dom.js";
import { nudges } from "./nudge.js";
import { drag } from "./press.js";
import { asker, follows } from "./rail.js";

const DEAD_PX = 12; // sideways, before a finger is taken to mean it

const taken = (store) => `The tempo comes from ${store.state.clock.source}. Touch Internal clock to set it here.`;

/** Built once, as it listens to the state. @type {HTMLElement[]|null} */
let built = null;

/** @param {any} app */
export const tempoPanel = (app) => (built ??= build(app));

/** @param {any} app @returns {HTMLElement[]} */
function build({ link, store }) {
  const ask = asker(link), dial = tempoDial(ask, store);
  store.on(["transport", "clock"], () => dial.update());
  return [
    dial.el,
    h("div", { class: "quarters", role: "group", "aria-label": "Tempo in steps" }, ...dial.steps),
    button("Tap the tempo", () => ask({ do: "tap" }), { class: "k beat-here", title: "Touch it on the beat, four times or more." }),
    h("p", { text: "Tap on the beat, four times or more. The key T taps too, on the Play view." }),
    h("h3", { text: "The beat against the other side" }),
    h("p", { text: "Moves the beat by 5 ms at a time and leaves the tempo as it is. Hold it for more." }),
    h("div", { role: "group", "aria-label": "Nudge the beat" }, ...nudges(ask)),
  ];
}

/** Tempo: drag sideways, or arrow keys; 0.1 BPM a step, ten times that with Page keys. A finger that
 * only brushes it changes nothing. */
function tempoDial(ask, store) {
  const number = h("output", { class: "num" });
  const el = h("div", { class: "k dial", role: "spinbutton", tabindex: "0", "aria-label": "Tempo", title: "Drag sideways: 10 px are 1 BPM." }, number, h("small", { text: "BPM" }));
  let value = 120, freeAt = 0, sent = 0, meant = false;
  const show = () => {
    text(number, value.toFixed(1));
    attr(el, "aria-valuenow", value.toFixed(1));
    attr(el, "aria-valuetext", `${value.toFixed(1)} beats a minute`);
  };
  const move = (by, last = true) => {
    const { low, high } = store.state.limits.tempo.bpm;
    value = Math.min(high, Math.max(low, value + by));
    freeAt = performance.now() + 300;
    show();
    if (last || performance.now() - sent > 60) { sent = performance.now(); ask({ do: "tempo", bpm: Math.round(value * 10) / 10 }); }
  };
  const hand = drag(el, {
    begin() {
      if (follows(store)) { say(taken(store)); return false; }
      el.classList.add("down");
      meant = false;
      return true;
    },
    move(finger, dx) {
      if (!meant) { meant = Math.abs(finger.x - finger.x0) > DEAD_PX; return; }
      if (dx) move(dx * 0.1, false);
    },
    end() { el.classList.remove("down"); if (meant) move(0); },
  });
  el.addEventListener("keydown", (event) => {
    const by = { ArrowUp: 0.1, ArrowRight: 0.1, ArrowDown: -0.1, ArrowLeft: -0.1, PageUp: 1, PageDown: -1 }[event.key];
    if (!by) return;
    event.preventDefault();
    if (!follows(store)) move(by);
  });
  store.on(["limits"], ({ limits: { tempo: { bpm } } }) => {
    attr(el, "aria-valuemin", bpm.low);
    attr(el, "aria-valuemax", bpm.high);
  });
  const step = (by) => tool(`${by < 0 ? "−" : "+"}${Math.abs(by)}`, () => { if (follows(store)) say(taken(store)); else move(by); }, { "aria-label": `Tempo: ${Math.abs(by)} BPM ${by < 0 ? "slower" : "faster"}` });
  return {
    el, steps: [-1, -0.1, 0.1, 1].map(step),
    update() {
      attr(el, "aria-readonly", follows(store));
      if (hand.finger || performance.now() < freeAt) return;
      value = (follows(store) ? store.state.clock.tempo : store.state.transport.tempo) || value;
      show();
    },
  };
}
