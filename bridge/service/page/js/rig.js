/** The rig view: interfaces and their ports, every output with its cable, the clock, the soundcheck. */

import { h, say, text } from "./dom.js";
import { api } from "./fields.js";
import { controlsPart } from "./controls.js";
import { Scope } from "./scope.js";
import { Soundcheck } from "./soundcheck.js";
import { clockPanel } from "./signs.js";

const LIT_MS = 160;

export async function build(root, app) {
  /** @type {{output: string, kind: string, cable: string, low: number, high: number, lanes: string[], macros: string[]}[]} */
  let outputs = [];
  /** @type {Map<string, HTMLElement>} */
  const jacks = new Map();
  /** @type {Map<string, number>} */
  const lit = new Map();
  const title = h("h2");
  const interfaces = h("table", {});
  const list = h("ul", { class: "jacks", "aria-label": "Outputs" });
  const summary = h("p");
  const clock = h("div");
  const scope = new Scope(app);
  const controls = controlsPart(app);
  const check = new Soundcheck(app, () => outputs);
  root.append(h("div", { class: "sheet-page" },
    title, interfaces,
    h("h2", { text: "Outputs" }), summary, list,
    h("h2", { text: "Soundcheck" }), check.el,
    h("h2", { text: "Clock" }), clock,
    h("h2", { text: "Controllers" }), controls.el,
    h("h2", { text: "Cautions" }),
    h("p", { text: "Turn monitors and headphones down before you patch or soundcheck. Switch the rack off before you move ribbon cables. Never join an output to an output, nor a rack voltage to a computer's pins. Leave mains work to licensed people and follow the local code." })));

  function showOutputs() {
    jacks.clear();
    scope.rows.clear();
    list.replaceChildren(...outputs.map((o) => {
      const from = [...o.lanes, ...o.macros.map((m) => `macro ${m}`)].join(", ");
      const canvas = /** @type {HTMLCanvasElement} */ (h("canvas", { "aria-hidden": "true" })), label = h("span", { class: "volts" });
      const jack = h("li", { class: "jack", "data-wired": o.cable ? "yes" : null },
        h("div", {}, h("strong", { text: o.output }), h("small", { text: `${o.kind}, ${volts(o.low)} to ${volts(o.high)}` })),
        h("div", {}, h("span", { text: o.cable || "no cable written down" }), h("small", { text: from ? `from ${from}` : "free" })),
        canvas, label);
      scope.rows.set(o.output, { canvas, label, low: o.low, high: o.high });
      jacks.set(o.output, jack);
      return jack;
    }));
    const free = outputs.filter((o) => !o.lanes.length && !o.macros.length);
    const bare = outputs.filter((o) => (o.lanes.length || o.macros.length) && !o.cable);
    text(summary, `${outputs.length} outputs, ${free.length ? `${free.length} free (${free.map((o) => o.output).join(", ")})` : "none free"}.${bare.length ? ` Played, but without a cable: ${bare.map((o) => o.output).join(", ")}.` : ""}`);
  }

  async function load() {
    try {
      const rig = await api("GET", "rig");
      text(title, rig.rig);
      outputs = rig.outputs;
      app.cables = Object.fromEntries(outputs.map((o) => [o.output, o.cable]));
      showOutputs();
    } catch (error) { say(String(/** @type {any} */ (error).message)); }
  }

  app.store.on(["ports"], ({ ports }) => {
    interfaces.replaceChildren(h("thead", {}, h("tr", {}, ...["Interface", "Port", "Link", "State"].map((t) => h("th", { scope: "col", text: t })))),
      h("tbody", {}, ...Object.entries(ports).map(([name, port]) => h("tr", {}, h("th", { scope: "row", text: name }), h("td", { text: port.port }), h("td", { text: port.link }), h("td", { text: port.open ? "present" : "lost: it comes back by itself when the cable does" })))));
  });
  app.store.on(["revision"], () => { if (!root.hidden) load(); });
  const showClock = () => { if (!root.hidden && !clock.contains(document.activeElement)) clock.replaceChildren(...clockPanel(app.store.state, app.link)); };
  app.store.on(["clock"], showClock);
  app.link.addEventListener("played", (event) => {
    if (root.hidden) return;
    const now = performance.now();
    for (const [lane] of event.detail.hits) {
      const out = app.store.state.lanes[lane]?.out;
      if (out) lit.set(out, now);
    }
  });
  return {
    hidden() { scope.watch(false); },
    shown() { scope.watch(true); load(); showClock(); controls.load(); },
    frame(now) { scope.frame(now); for (const [out, at] of lit) jacks.get(out)?.classList.toggle("sounds", now - at < LIT_MS); },
  };
}

function volts(v) { return `${Number(v.toFixed(2))} V`; }
