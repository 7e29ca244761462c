/** Every output: its cable, what drives it, what it can tell apart, its volts now; and what is free. */

import { h, say, text, tool } from "./dom.js";
import { api, linesOf } from "./fields.js";
import { Scope } from "./scope.js";

const LIT_MS = 160;
const volts = (v) => `${Number(v.toFixed(2))} V`;

/** @returns {import("./bench.js").Part} */
export function outputsPart(app) {
  /** @type {Map<string, HTMLElement>} */
  const jacks = new Map();
  /** @type {Map<string, number>} */
  const lit = new Map();
  const summary = h("p", { role: "status" });
  const list = h("ul", { class: "jacks", "aria-label": "Outputs" });
  const rest = h("div", { class: "fields" });
  const scope = new Scope(app);
  const el = h("article", { "aria-label": "Outputs" }, h("h2", { text: "Outputs" }), summary, list, rest);
  let free = [], count = 0, here = false;

  function jack(o) {
    const canvas = /** @type {HTMLCanvasElement} */ (h("canvas", { "aria-hidden": "true" })), label = h("span", { class: "volts" });
    const li = h("li", { class: "jack", "data-wired": o.cable ? "yes" : null, "data-free": o.free ? "yes" : null },
      h("div", {}, h("strong", { text: o.output }), h("small", { text: `${o.kind}, ${volts(o.low)} to ${volts(o.high)}` }), h("small", { text: o.by })),
      h("div", {}, h("span", { text: o.cable || "no cable written down" }), h("small", { text: driven(o) }), h("small", { text: fine(o) })),
      canvas, label);
    scope.rows.set(o.output, { canvas, label, low: o.low, high: o.high });
    jacks.set(o.output, li);
    return li;
  }

  async function load() {
    if (!count) text(summary, "Reading what the set asks of each output.");
    try {
      const plan = await api("GET", "outputs");
      jacks.clear();
      scope.rows.clear();
      list.replaceChildren(...plan.outputs.map(jack));
      free = plan.outputs.filter((o) => o.free);
      count = plan.outputs.length;
      const bare = plan.outputs.filter((o) => o.drivers.length && !o.cable);
      text(summary, `${count} outputs, ${free.length ? `${free.length} free: ${free.map((o) => o.output).join(", ")}` : "none free"}.${bare.length ? ` Played, but without a cable: ${bare.map((o) => o.output).join(", ")}.` : ""}`);
      rest.replaceChildren(...looseList(plan.loose), ...warningList(plan.warnings));
    } catch (error) { text(summary, `This could not be read: ${linesOf(error).join(" ")} Open Outputs again to try once more.`); }
  }

  function looseList(loose) {
    if (!loose.length) return [];
    return [h("h3", { text: "Lanes without an output" }), h("ul", { class: "plain loose", "aria-label": "Lanes without an output" }, ...loose.map(({ lane, kind, helper, fits }) => h("li", {},
      h("div", {}, h("strong", { text: lane }), h("small", { text: `${kind}${helper ? ", a helper for other lanes" : ""}` })),
      fits.length ? h("div", { class: "row-wrap" }, ...fits.slice(0, 4).map((out) => tool(`To ${out}`, () => put(lane, out), { "aria-label": `${lane} to ${out}` })), fits.length > 4 ? h("small", { text: `or ${fits.slice(4).join(", ")}` }) : null)
        : h("small", { text: "no free output would fit" }))))];
  }

  async function put(lane, out) {
    try {
      await api("POST", "set/edits", { edits: [{ path: ["lanes", lane, "out"], value: out }], when: "beat" });
      say(`${lane} goes to ${out} now. Undo takes it back.`);
      await load();
    } catch (error) { say(linesOf(error).join(" ")); }
  }

  function warningList(warnings) {
    if (!warnings.length) return [];
    return [h("h3", { text: "Warnings" }), h("ul", { class: "plain" }, ...warnings.map((w) => h("li", { text: `${w.path ? `${w.path}: ` : ""}${w.message}` })))];
  }

  app.store.on(["revision"], () => { if (here) load(); });
  app.link.addEventListener("played", (event) => {
    if (!here) return;
    const now = performance.now();
    for (const [lane] of event.detail.hits) {
      const out = app.store.state.lanes[lane]?.out;
      if (out) lit.set(out, now);
    }
  });
  return {
    name: "outputs", title: "Outputs", el,
    note: () => (count ? (free.length ? `${free.length} free` : "none free") : ""),
    shown() { here = true; scope.watch(true); return load(); },
    hidden() { here = false; scope.watch(false); },
    frame(now) { scope.frame(now); for (const [out, at] of lit) jacks.get(out)?.classList.toggle("sounds", now - at < LIT_MS); },
  };
}

function driven(o) {
  if (o.blocked_by) return `cannot be used together with ${o.blocked_by}`;
  return o.drivers.length ? `from ${o.drivers.join(", ")}` : o.free ? "free" : "gets no clock";
}

/** What it can tell apart, and how it is tuned. */
function fine(o) {
  const steps = o.resolution && o.resolution !== "-" ? `steps of ${o.resolution}` : "";
  return [steps, o.kind === "pitch" ? (o.tuned ? `tuned ${o.tuned.slice(0, 10)}` : "not tuned") : ""].filter(Boolean).join("; ");
}
