/** The heads of the traces: one large mute switch per lane, acting on touch-down. */

import { attr, h, say, text } from "./dom.js";
import { moverOf } from "./movers.js";
import { isLong } from "./ink.js";
import { press } from "./press.js";
import { silent } from "./store.js";

export const HOLD_REFRESH_MS = 180; // the service lets go of a hold that is not renewed for 500 ms
export const MEANT_MS = 140;
const STILL_PX = 7; // a finger that scrolls has moved by more than that before then

/** How a touch on a head acts. @type {{value: string}} */
export const touchMode = { value: "now" };

/** What a lane's head shows. @param {import("./store.js").LaneState} lane @returns {[string, string]} look and words */
export function look(lane) {
  const alone = silent(lane) && !lane.muted; // only the solo of others silences it
  if (lane.held && !alone) return [lane.muted ? "held-out" : "held-in", lane.muted ? "held muted" : "held on"];
  if (lane.pending) return [lane.pending.muted ? "wait-out" : "wait-in", lane.pending.text || `${lane.pending.muted ? "muted" : "on"} at bar ${lane.pending.bar}`];
  if (alone) return ["out", "not in solo"];
  if (lane.muted) return ["out", lane.solo ? "solo, muted" : "muted"];
  return ["in", lane.solo ? "solo" : lane.filling ? "fills" : "on"];
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
    this.holding = 0;
    this.meant = 0; // timer of a touch that may yet turn out to scroll
    this.label = h("span", { class: "name", "aria-hidden": "true" });
    this.status = h("span", { class: "st" });
    this.lamp = h("i", { "aria-hidden": "true" }); // where the painter draws one
    this.el = h("button", { type: "button", class: "head", "aria-pressed": "false", "data-lane": name, "data-long": isLong(name) }, h("span", { class: "sr", text: `${name} ` }), this.label, this.status, this.lamp);
    press(this.el, (event) => this.touch(event), (event) => this.leave(event));
  }

  get lane() { return this.store.state.lanes[this.name]; }

  async ask(command) {
    this.el.classList.add("asked");
    const result = await this.link.send({ lane: this.name, ...command });
    this.el.classList.remove("asked");
    if (!result.ok && !result.lost) this.el.dispatchEvent(new CustomEvent("refused", { bubbles: true, detail: result.problem }));
  }

  /** A finger comes down. Where the switches scroll it may mean to scroll: a moment tells. */
  touch(event) {
    const scrolls = event.pointerType === "touch" && this.el.closest(".bank[tabindex]");
    if (!scrolls) { this.down(); return; }
    const { clientX: x, clientY: y } = event;
    this.meant = window.setTimeout(() => { this.meant = 0; this.down(); }, MEANT_MS);
    this.el.onpointermove = (now) => { if (Math.hypot(now.clientX - x, now.clientY - y) > STILL_PX) this.unmean(); };
  }

  unmean() {
    clearTimeout(this.meant);
    this.meant = 0;
    this.el.onpointermove = null;
  }

  /** It has left: a short tap is meant, a finger that the browser took for scrolling is not. */
  leave(event) {
    const short = this.meant && event?.type === "pointerup";
    this.unmean();
    if (short) this.down();
    this.up();
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
    // A second touch takes back what the first one began: it comes back now.
    else if (mode === "drop" && lane.pending && !lane.pending.muted) this.ask({ do: "mute", muted: false, when: "now" });
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
    const [shape, state] = look(lane);
    const hand = moverOf(this.store.state, `lane/${this.name}`, ...(lane.groups ?? []).map((group) => `group/${group}`));
    const words = hand && !lane.pending ? `${state}, ${hand.short}` : state; // when it comes is worth the room more
    attr(this.el, "data-moved", hand?.says);
    attr(this.el, "data-look", shape);
    attr(this.el, "aria-pressed", !silent(lane));
    attr(this.el, "data-stack", words.length > 6 || this.name.length + words.length > 9 ? "yes" : null);
    text(this.status, words);
  }
}
