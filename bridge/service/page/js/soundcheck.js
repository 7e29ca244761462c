/** One output at a time, quietly first: the person says whether it arrived where the cable says. */

import { button, h, say } from "./dom.js";

const wait = (ms) => new Promise((done) => setTimeout(done, ms));

/** What is sent to an output of a kind: [action, value, pause in ms] one after another.
 * @param {{kind: string, low: number, high: number}} output @returns {["gate"|"pitch"|"level", number, number][]} */
export function sequence({ kind, low, high }) {
  if (kind === "pitch") return [["pitch", 36, 700], ["pitch", 48, 700], ["pitch", 60, 700], ["pitch", 36, 100]];
  if (kind === "level") {
    const rest = low <= 0 && high >= 0 ? 0 : low;
    const sweep = (top) => Array.from({ length: 13 }, (_, i) => /** @type {["level", number, number]} */ (["level", rest + (top - rest) * (1 - Math.abs(i - 6) / 6), 90]));
    return [...sweep(rest + (high - rest) * 0.4), ...sweep(high), ["level", rest, 0]];
  }
  return [0.3, 0.5, 0.7, 0.9].flatMap((level) => /** @type {["gate", number, number][]} */ ([["gate", level, 120], ["gate", 0, 380]]));
}

export class Soundcheck {
  /** @param {any} app @param {() => any[]} outputs */
  constructor(app, outputs) {
    this.app = app;
    this.outputs = outputs;
    this.el = h("div", { class: "ask-box" });
    this.idle();
  }

  idle() {
    this.el.replaceChildren(
      h("p", { text: "Sends to one output at a time, named with its cable. Turn monitors and headphones down first: a wrong cable can be very loud." }),
      h("div", { class: "row-wrap" }, button("Stop and begin", () => this.begin())));
  }

  async begin() {
    await this.app.link.send({ do: "stop" });
    /** @type {[string, string][]} */
    this.answers = [];
    this.queue = [...this.outputs()];
    this.next();
  }

  next() {
    const output = this.queue.shift();
    if (!output) { this.report(); return; }
    const answer = (word) => () => { this.answers.push([`${output.output}, ${output.cable || "no cable"}`, word]); this.playing = null; this.next(); };
    const again = button("Send", () => this.play(output));
    this.el.replaceChildren(h("div", { class: "ask", role: "group", "aria-label": `Soundcheck of ${output.output}` },
      h("h3", { text: output.output }), h("p", { text: output.cable || "There is no cable written down for it." }),
      h("p", { text: { pitch: "Three octaves, low to high.", level: "A sweep up and down, small and then whole." }[output.kind] ?? "Four pulses, each stronger." }),
      h("div", { class: "row-wrap" }, again, button("Yes, it arrives", answer("yes")), button("No", answer("no")), button("Skip", answer("skipped")), button("End", () => { this.playing = null; this.report(); })),
      h("small", { text: `${this.queue.length} more` })));
    again.focus({ preventScroll: true });
  }

  async play(output) {
    const mine = this.playing = {};
    for (const [action, value, pause] of sequence(output)) {
      if (this.playing !== mine) break;
      const result = await this.app.link.send({ do: "try", output: output.output, action, value });
      if (!result.ok) { say(result.problem?.detail ?? "It could not be sent."); break; }
      await wait(pause);
    }
    if (["pitch", "level"].includes(output.kind)) return;
    this.app.link.send({ do: "try", output: output.output, action: "gate", value: 0 });
  }

  report() {
    const bad = this.answers.filter(([, word]) => word === "no");
    this.el.replaceChildren(
      h("p", { role: "status", text: bad.length ? `${bad.length} did not arrive.` : this.answers.length ? "Nothing failed." : "Nothing was checked." }),
      h("table", {}, h("tbody", {}, ...this.answers.map(([name, word]) => h("tr", {}, h("th", { scope: "row", text: name }), h("td", { text: word }))))),
      h("div", { class: "row-wrap" }, button("Once more", () => this.begin())));
  }
}
