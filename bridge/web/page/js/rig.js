/** The rig view: its parts on the left, one of them on the bench: outputs, tuning, soundcheck, align, clock,
 * controllers, devices, OSC, what is printed. */

import { h, text } from "./dom.js";
import { alignPart } from "./align.js";
import { bench } from "./bench.js";
import { api } from "./fields.js";
import { controlsPart } from "./controls.js";
import { clockPart } from "./clock.js";
import { devicesPart } from "./devices.js";
import { oscPart } from "./osc.js";
import { rigMoments } from "./keeping.js";
import { outputsPart } from "./outputs.js";
import { soundcheckPart } from "./soundcheck.js";
import { tuningPart } from "./tuning.js";

export async function build(root, app) {
  const title = h("h2");
  const interfaces = h("ul", { class: "ports", "aria-label": "Interfaces" });
  const parts = [outputsPart(app), tuningPart(app), soundcheckPart(app), alignPart(app), clockPart(app), controlsPart(app), devicesPart(), oscPart(), printPart(), rigMoments()];
  const view = bench(root, "Parts of the rig", parts, title, interfaces);
  app.store.on(["ports"], ({ ports }) => interfaces.replaceChildren(...Object.entries(ports).map(([name, port]) => h("li", { "data-open": port.open ? "yes" : "no" },
    h("strong", { text: name }), h("small", { text: `${port.port}, ${port.link}: ${port.open ? "present" : "lost; it comes back by itself when the cable does"}` })))));
  app.store.on(["ports", "clock", "tuning", "soundcheck", "align", "controllers", "revision", "rig"], (state) => { if (!root.hidden) { text(title, state.rig); view.notes(); } });
  return {
    ...view,
    async shown() {
      text(title, app.store.state.rig);
      await view.shown();
      try { app.cables = Object.fromEntries((await api("GET", "rig")).outputs.map((o) => [o.output, o.cable])); } catch { /* the next visit tells them */ }
    },
  };
}

/** What is printed or read, and the usual cautions. @returns {import("./bench.js").Part} */
function printPart() {
  const link = (href, words) => h("a", { class: "k", href, target: "_blank", rel: "noopener", text: words });
  return {
    name: "print", title: "Print", note: () => "patch sheet",
    el: h("article", { "aria-label": "Print", class: "fields" },
      h("h2", { text: "Print" }),
      h("p", { text: "The patch sheet has every cable, every lane and every macro on a few printed pages, so that the rig can be built again tomorrow." }),
      h("div", { class: "row-wrap" }, link("api/sheet", "Patch sheet"), link("api/sheet?bars=4", "Patch sheet, four bars of each lane"), link("api/scope.svg?bars=2", "Volts of two bars, as a drawing"), link("api/form.svg", "The running order, as a drawing"), link("manual", "The manual")),
      h("h3", { text: "Cautions" }),
      h("ul", { class: "plain" }, ...[
        "Turn monitors and headphones down before you patch or soundcheck.",
        "Switch the rack off before you move ribbon cables, and use the supply that it was made for.",
        "Never join an output to an output, nor a rack voltage to a computer's pins.",
        "Leave mains work to licensed people and follow the local code.",
      ].map((words) => h("li", { text: words })))),
  };
}
