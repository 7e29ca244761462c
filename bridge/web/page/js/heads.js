/** The heads of the traces: one large mute switch per lane, acting on touch-down. */

import { attr, h, say, text } from "./dom.js";
import { isLong } from "./ink.js";
import { press } from "./press.js";
import { silent } from "./store.js";

const HOLD_REFRESH_MS = 180; // the service lets go of a hold that is not renewed for 500 ms
const FLASH_MS = 200;

/** How a touch on a head acts. @type {{value: string}} */
export const touchMode = { value: "now" };

/** What a lane's head shows. @param {import("./store.js").LaneState} lane @returns {[string, string]} look and words */
export function look(lane) {
  const alone = silent(lane) && !lane.muted; // only the solo of others silences it
  if (lane.held && !alone) return [lane.muted ? "held-out" : "held-in", lane.muted ? "held out" : "held in"];
  if (lane.pending) return [lane.pending.muted ? "wait-out" : "wait-in", lane.pending.text || `${lane.pending.muted ? "out" : "in"} at bar ${lane.pending.bar}`];
  if (alone) return ["out", "not in solo"];
  if (lane.muted) return ["out", lane.solo ? "solo, out" : "out"];
  return ["in", lane.solo ? "solo" : "in"];
}

export class Head {
  /**
   * @param {string} name
   * @param {import("./link.js").Link} link
   * @param {import("./store.js").Store} store
   */
  constructor(name, link, store) {
    this.name = name;
    this.link = link;
    this.store = store;
    this.flashAt = -1e9;
    this.flashLevel = 0;
    this.shown = 0;
    this.holding = 0;
    this.label = h("span", { class: "name", text: name });
    this.status = h("span", { class: "st" });
    this.el = h("button", { type: "button", class: "head", "aria-pressed": "false", "data-lane": name, "data-long": isLong(name) }, this.label, this.status);
    press(this.el, () => this.down(), () => this.up());
  }

  get lane() { return this.store.state.lanes[this.name]; }

  async ask(command) {
    this.el.classList.add("asked");
    const result = await this.link.send({ lane: this.name, ...command });
    this.el.classList.remove("asked");
    if (!result.ok && !result.lost) this.el.dispatchEvent(new CustomEvent("refused", { bubbles: true, detail: result.problem }));
  }

  down() {
    const lane = this.lane;
    if (!lane) return;
    const mode = touchMode.value;
    const alone = silent(lane) && !lane.muted;
    if (mode === "held" || mode === "drop") {
      if (alone) { say(`${this.name} is not in the solo, so this would not be heard. End the solo first.`); return; }
    }
    if (mode === "held") this.hold(!lane.muted);
    else if (mode === "solo") this.ask({ do: "solo", on: !lane.solo });
    // While a solo silences it or plays it, a touch joins the solo or leaves it: the mute under it would not be heard.
    else if (alone || (lane.solo && !lane.muted)) this.ask({ do: "solo", on: alone });
    else if (mode === "drop") this.ask({ do: "mute", muted: true, when: "now", return_bars: 4 });
    else if (lane.pending && mode !== "now") this.ask({ do: "cancel" });
    else {
      const muted = lane.pending ? lane.pending.muted : !lane.muted;
      this.ask({ do: "mute", muted, when: mode === "4" ? 4 : mode });
    }
  }

  hold(muted) {
    this.up();
    const renew = async () => {
      const result = await this.link.send({ do: "hold", lane: this.name, muted, active: true });
      if (!result.ok && !result.lost) this.up();
    };
    this.holding = window.setInterval(renew, HOLD_REFRESH_MS);
    this.heldTo = muted;
    renew();
  }

  up() {
    if (!this.holding) return;
    clearInterval(this.holding);
    this.holding = 0;
    this.link.send({ do: "hold", lane: this.name, muted: this.heldTo, active: false });
  }

  update() {
    const lane = this.lane;
    if (!lane) return;
    const [shape, words] = look(lane);
    attr(this.el, "data-look", shape);
    attr(this.el, "aria-pressed", !silent(lane));
    attr(this.el, "data-stack", words.length > 6 ? "yes" : null);
    text(this.status, words);
  }

  /** A hit sounded. */
  flash(level, now) {
    this.flashAt = now;
    this.flashLevel = 0.35 + 0.65 * level;
  }

  frame(now) {
    const age = now - this.flashAt;
    const value = age < FLASH_MS ? this.flashLevel * (1 - age / FLASH_MS) : 0;
    if (Math.abs(value - this.shown) < 0.03 && !(value === 0 && this.shown)) return;
    this.shown = value;
    this.el.style.setProperty("--s", value.toFixed(2));
  }
}
