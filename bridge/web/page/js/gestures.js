/** What one touch does to many lanes: a fill while it is held, half time and double time. */

import { attr, h } from "./dom.js";
import { HOLD_REFRESH_MS, MEANT_MS } from "./heads.js";
import { press } from "./press.js";

const PACES = [["0", "as written"], ["-1", "half time"], ["1", "double time"]];

export class Gestures {
  /** @param {import("./link.js").Link} link @param {import("./store.js").Store} store */
  constructor(link, store) {
    this.link = link;
    this.store = store;
    this.holding = 0;
    this.meant = 0; // timer of a touch that may yet turn out to scroll
    this.fill = h("button", { type: "button", class: "k tool", text: "fill", "aria-pressed": "false", "aria-label": "fill while it is held" });
    press(this.fill, (event) => this.touch(event), () => this.letGo());
    this.pace = /** @type {HTMLSelectElement} */ (h("select", { "aria-label": "Pace of the whole set" }, ...PACES.map(([value, label]) => h("option", { value, text: label }))));
    this.pace.addEventListener("change", () => this.send({ do: "pace", pace: Number(this.pace.value) }));
  }

  /** What stands in the deck. */
  get parts() { return [this.fill, this.pace]; }

  /** @param {Event} event */
  touch(event) {
    if (/** @type {PointerEvent} */ (event).pointerType !== "touch") { this.begin(); return; }
    this.meant = window.setTimeout(() => this.begin(), MEANT_MS);
  }

  begin() {
    this.meant = 0;
    const renew = async () => {
      const result = await this.link.send({ do: "fill", active: true });
      if (!result.ok && !result.lost) this.letGo();
    };
    clearInterval(this.holding);
    this.holding = window.setInterval(renew, HOLD_REFRESH_MS);
    renew();
  }

  letGo() {
    clearTimeout(this.meant);
    this.meant = 0;
    if (!this.holding) return;
    clearInterval(this.holding);
    this.holding = 0;
    this.link.send({ do: "fill", active: false });
  }

  /** Whether a hand has asked the running order to go on before its entry is over. */
  get goesOn() {
    const { order } = this.store.state;
    return Boolean(order?.running) && order.tick !== order.ends;
  }

  /** Leave a group to be heard for four bars; a second touch brings all back at once. @param {string} group */
  dropTo(group) {
    const { state } = this.store;
    if (state.solo_until === null) { this.link.send({ do: "drop", group, return_bars: 4 }); return; }
    for (const [lane, { solo }] of Object.entries(state.lanes)) if (solo) this.link.send({ do: "solo", lane, on: false });
  }

  /** @param {any} command */
  async send(command) {
    const result = await this.link.send(command);
    if (!result.ok && !result.lost) this.pace.dispatchEvent(new CustomEvent("refused", { bubbles: true, detail: result.problem }));
    this.show();
  }

  show() {
    const lanes = Object.values(this.store.state.lanes);
    attr(this.fill, "aria-pressed", lanes.some((lane) => lane.filling));
    if (document.activeElement === this.pace) return; // a list that is open stays as it is
    const paces = new Set(lanes.map((lane) => lane.hand?.pace).filter((pace) => pace !== undefined));
    this.pace.value = paces.size === 1 ? String([...paces][0]) : "0";
  }
}
