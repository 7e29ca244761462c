/** The heads of the traces: one large mute switch per lane, acting on touch-down. */

import { attr, h, press, text } from "./dom.js";

const HOLD_REFRESH_MS = 180; // the service lets go of a hold that is not renewed for 500 ms
const FLASH_MS = 200;

/** How a touch on a head acts. @type {{value: string}} */
export const touchMode = { value: "now" };

/** What a lane's head shows. @param {import("./store.js").LaneState} lane @returns {[string, string]} look and words */
export function look(lane) {
  if (lane.held) return [lane.muted ? "held-out" : "held-in", lane.muted ? "held out" : "held in"];
  if (lane.pending) return [lane.pending.muted ? "wait-out" : "wait-in", lane.pending.text || `${lane.pending.muted ? "out" : "in"} at bar ${lane.pending.bar}`];
  if (lane.muted) return ["out", lane.solo ? "solo, out" : lane.under === false ? "not in solo" : "out"];
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
    this.el = h("button", { type: "button", class: "head", "aria-pressed": "false", "data-lane": name }, this.label, this.status);
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
    if (mode === "held") {
      const muted = !lane.muted;
      const renew = () => this.link.send({ do: "hold", lane: this.name, muted, active: true });
      this.holding = window.setInterval(renew, HOLD_REFRESH_MS);
      this.heldTo = muted;
      renew();
    } else if (mode === "solo" || lane.solo || lane.muted !== (lane.under ?? lane.muted)) {
      // While a solo silences others, a touch joins it or leaves it: the mute under it would not be heard.
      this.ask({ do: "solo", on: !lane.solo });
    }
    else if (mode === "drop") this.ask({ do: "mute", muted: true, when: "now", return_bars: 4 });
    else if (lane.pending && mode !== "now") this.ask({ do: "cancel" });
    else {
      const muted = lane.pending ? lane.pending.muted : !lane.muted;
      this.ask({ do: "mute", muted, when: mode === "4" ? 4 : mode });
    }
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
    attr(this.el, "aria-pressed", !lane.muted);
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
