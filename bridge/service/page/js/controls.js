/** MIDI controllers on the desk: what each control does, learning one, forgetting one. */

import { attr, button, h, text } from "./dom.js";
import { Refusal, api, picker } from "./fields.js";

const LEARN_S = 20;
const TRANSPORT = ["start", "stop", "continue", "tap", "all-out"];

/** @param {any} app */
export function controlsPart(app) {
  const rows = h("tbody");
  const said = h("p", { role: "status" });
  const fail = (error) => text(said, error instanceof Refusal ? error.lines.join("\n") : String(error));
  const target = picker("What a control shall do", [], () => {});
  const learn = button("Learn", async () => {
    const [kind, name] = target.select.value.split(" ");
    attr(learn, "aria-disabled", "true");
    text(said, `Move the knob or press the button now (${LEARN_S} s).`);
    try {
      const row = await api("POST", "controllers/learn", { target: kind, name, within_s: LEARN_S });
      text(said, `${words(row)} now does this: ${row.target} ${row.name}.`);
      await load();
    } catch (error) { fail(error); }
    attr(learn, "aria-disabled", "false");
  });

  const words = (row) => `${row.controller}, ${row.kind === "cc" ? "controller" : "note"} ${row.number} on channel ${row.channel}`;

  function options() {
    const { lanes, macros, sections } = app.store.state;
    const all = [...Object.keys(macros).map((n) => ["macro", n]), ...Object.keys(lanes).map((n) => ["mute", n]), ...sections.map((n) => ["section", n]), ...TRANSPORT.map((n) => ["transport", n])];
    target.select.replaceChildren(...all.map(([kind, name]) => h("option", { value: `${kind} ${name}`, text: `${kind}: ${name.replaceAll("-", " ")}` })));
  }

  async function load() {
    options();
    try {
      const { controls } = await api("GET", "controllers");
      rows.replaceChildren(...controls.map((row) => h("tr", {}, h("th", { scope: "row", text: words(row) }), h("td", { text: `${row.target} ${row.name}` }),
        h("td", {}, button("Forget", async () => {
          try { await api("DELETE", `controllers/${row.controller}/${row.kind}/${row.channel}/${row.number}`); await load(); } catch (error) { fail(error); }
        }, { "aria-label": `Forget ${words(row)}` })))));
      if (!controls.length && !said.textContent) text(said, "No control is bound yet.");
    } catch (error) { fail(error); }
  }
  return { el: h("div", { class: "fields" }, h("div", { class: "with-button" }, target.el, learn), said, h("table", {}, rows)), load };
}
