/**
 * Macros: wide sliders that move with the finger and never jump to it. The finger owns the value
 * while it is down and shortly after; then the service's value holds again.
 */

import { attr, h, say, text } from "./dom.js";
import { moverOf } from "./movers.js";
import { isLong } from "./ink.js";
import { drag } from "./press.js";

const SETTLE_MS = 300;
const SEND_MS = 34; // at most 30 a second
const RENEW_MS = 120; // the service lets others move a macro 300 ms after its last mover
const FINE = 0.125;
const SCROLL_PX = 24; // a finger that went less far sideways before it scrolled had scrolling in mind

export const fineMode = { on: false };

const clamp = (v) => Math.min(1, Math.max(0, v));

export class Macro {
  /**
   * @param {string} name
   * @param {import("./link.js").Link} link
   * @param {import("./store.js").Store} store
   */
  constructor(name, link, store) {
    this.name = name;
    this.link = link;
    this.store = store;
    this.value = 0;
    this.sent = -1;
    this.sentAt = 0;
    this.timer = 0;
    this.renewal = 0;
    this.freeAt = 0;
    this.before = 0; // its value when the finger came down
    this.told = false; // that another hand is on it
    this.number = h("output", {});
    this.gear = h("em", { class: "gear", text: "fine" });
    this.by = h("em", { class: "by" });
    this.what = h("div", { class: "what" });
    const long = isLong(name), spoken = name.replaceAll("-", " ");
    this.label = h("span", { "data-long": long });
    this.el = h("div", { class: "macro", "data-long": long, role: "slider", tabindex: "0", "aria-label": spoken, "aria-valuemin": "0", "aria-valuemax": "100", "data-macro": name },
      h("i"), h("u"),
      h("div", { class: "lab" }, this.label, this.by, this.gear, this.number), this.what);
    this.hand = drag(this.el, { begin: () => this.down(), move: (finger, dx) => this.move(finger, dx), end: (finger, givenUp) => this.up(finger, givenUp) });
    this.el.addEventListener("keydown", (event) => this.key(event));
  }

  down() {
    this.before = this.value;
    this.told = false;
    this.showGear(fineMode.on);
    this.renewal = window.setInterval(() => { if (performance.now() - this.sentAt >= RENEW_MS / 2) this.tell(); }, RENEW_MS);
    this.tell(); // a finger that rests on it owns it as well; no movement waits for that
  }

  /** @param {import("./press.js").Finger} finger @param {number} dx */
  move(finger, dx) {
    if (!dx) return;
    // Pulling away from the slider makes the same movement finer, as on a long lever.
    const away = Math.max(0, Math.abs(finger.y - finger.y0) - 70);
    const fine = (fineMode.on ? FINE : 1) / (1 + away / 45);
    this.showGear(fine < 0.9);
    const width = this.el.clientWidth || 1;
    this.value = clamp(this.value + (dx / width) * fine);
    this.show();
    this.push();
  }

  letGo() { this.hand.letGo(); }

  /** @param {import("./press.js").Finger} finger @param {boolean} givenUp */
  up(finger, givenUp) {
    // The browser took the finger for scrolling: its first pixels were no turn of this.
    if (givenUp && Math.abs(finger.x - finger.x0) < SCROLL_PX) { this.value = this.before; this.show(); }
    clearInterval(this.renewal);
    this.showGear(fineMode.on);
    this.freeAt = performance.now() + SETTLE_MS;
    this.push(true);
    setTimeout(() => this.update(), SETTLE_MS + 20);
  }

  showGear(fine) { this.el.classList.toggle("fine", fine); }

  key(event) {
    const big = 0.1, step = event.shiftKey || fineMode.on ? 0.001 : 0.01;
    const moves = { ArrowRight: step, ArrowUp: step, ArrowLeft: -step, ArrowDown: -step, PageUp: big, PageDown: -big, Home: -1, End: 1 };
    if (!(event.key in moves)) return;
    event.preventDefault();
    this.value = clamp(this.value + moves[event.key]);
    this.freeAt = performance.now() + SETTLE_MS;
    this.show();
    this.push();
    setTimeout(() => this.update(), SETTLE_MS + 20);
  }

  /** Send the latest value, at most 30 times a second; the last one always goes. */
  push(last = false) {
    const now = performance.now();
    clearTimeout(this.timer);
    const wait = SEND_MS - (now - this.sentAt);
    if (wait > 0 && !last) { this.timer = window.setTimeout(() => this.push(), wait); return; }
    if (this.value === this.sent && !last) return;
    this.sent = this.value;
    this.sentAt = now;
    this.tell();
  }

  tell() {
    this.link.send({ do: "macro", macro: this.name, value: Math.round(this.value * 1e5) / 1e5 }).then((result) => {
      if (!result.ok && !result.lost) this.yield(result.problem);
    });
  }

  /** Another hand has it: show what stands; this finger goes on from there once that one is gone. */
  yield(problem) {
    const macro = this.store.state.macros[this.name];
    if (!macro) return;
    if (this.hand.finger && !this.told) { this.told = true; say(problem?.detail ?? "Another hand is on it."); }
    this.value = macro.value;
    this.show();
  }

  show() {
    const percent = this.value * 100;
    this.el.style.setProperty("--v", this.value.toFixed(4));
    const words = this.el.classList.contains("fine") || fineMode.on ? percent.toFixed(1) : percent.toFixed(0);
    text(this.number, words);
    attr(this.el, "aria-valuenow", percent.toFixed(1));
    attr(this.el, "aria-valuetext", `${words} percent`);
  }

  /** Take the service's value, unless a finger holds this macro or has just left it. */
  update() {
    const macro = this.store.state.macros[this.name];
    if (!macro) return;
    const hand = moverOf(this.store.state, `macro/${this.name}`);
    text(this.what, hand ? `moved by ${hand.says}` : (macro.drives ?? []).join(", "));
    text(this.by, hand?.short ?? "");
    attr(this.el, "data-moved", hand?.says);
    if (this.hand.finger || performance.now() < this.freeAt) return;
    this.value = macro.value;
    this.show();
  }
}
