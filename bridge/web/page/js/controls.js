/** MIDI controllers on the desk: what each control does, learning one with its options, where a knob
 * stands and where it must go before it takes hold. */

import { attr, h, say, text, tool } from "./dom.js";
import { api, judged, labelled, linesOf, picker } from "./fields.js";
import { entry, toggle, words } from "./forms.js";

const LEARN_S = 20;
const TRANSPORT = ["start", "stop", "continue", "tap", "mute-all", "order-next"];
const OPTIONS = [["pickup", "Waits until it meets the value"], ["feedback", "Lamp or motor shows the state"], ["pair", "A pair of controllers"], ["latch", "Button that stays down"]];
const CODINGS = [["", "a position"], ["twos-complement", "steps: two's complement"], ["offset", "steps: offset from 64"], ["sign-bit", "steps: sign bit"]];
const POSITION = ["pickup", "pair"]; // not for encoders, which have none
const USUAL_STEPS = 127, STEPS = "Steps from end to end";
/** A whole number out of a field; what is none is left to the service to refuse. */
const whole = (typed) => (/^\d+$/.test(typed.trim()) ? Number(typed) : typed);

const called = (row) => `${row.kind === "cc" ? "controller" : "note"} ${row.number}, channel ${row.channel}`;
const does = (row) => `${row.target} ${row.name.replaceAll("-", " ")}`;
const percent = (v) => Math.round(v * 100);

/** How fine an encoder that is bound turns. @param {(key: string, value: any) => Promise<string[]>} change @param {() => void} taken */
function stepsOf(row, change, taken) {
  const number = entry(STEPS, async (typed) => {
    const lines = await change("steps", whole(typed));
    if (!lines.length) taken();
    return lines;
  }, { attrs: { inputmode: "numeric", maxlength: "5", "aria-label": `${STEPS}: ${row.controller} ${called(row)}` } });
  number.update(String(row.steps));
  return number.el;
}

/** @returns {import("./bench.js").Part} */
export function controlsPart(app) {
  const desks = h("ul", { class: "plain", "aria-label": "Controllers" });
  const rows = h("ul", { class: "plain controls", "aria-label": "What each control does" });
  const none = h("p");
  const said = h("p", { class: "says", role: "status" });
  let here = false;
  /** @type {Map<string, (control: any) => void>} */
  const live = new Map();

  const target = picker("What a control shall do", [], () => {});
  const desk = picker("On", [["", "any controller"]], () => {});
  const wish = { pickup: true, feedback: false, pair: false, latch: false };
  const steps = words({ inputmode: "numeric", maxlength: "5" });
  const finer = labelled(STEPS, steps, "more is finer");
  steps.value = String(USUAL_STEPS);
  finer.hidden = true;
  const sends = picker("A knob sends", CODINGS, (value) => { finer.hidden = !value; });
  const marks = h("div", { class: "field-row" }, sends.el, finer, ...OPTIONS.map(([key, caption]) => {
    const mark = toggle(caption, (on) => { wish[key] = on; return []; });
    mark.update(wish[key]);
    return mark.el;
  }));
  const learn = tool("Learn", () => ask(false));
  const replace = tool("Replace what it did", () => ask(true), { hidden: true });
  const cancel = tool("Never mind", () => app.link.send({ do: "learn-cancel" }), { hidden: true });

  async function ask(over) {
    const [kind, name] = target.select.value.split(" ");
    attr(learn, "aria-disabled", "true");
    replace.hidden = true;
    cancel.hidden = false;
    text(said, `Move the knob or press the button now (${LEARN_S} s)${over ? " once more" : ""}.`);
    const result = await app.link.send({ do: "learn", target: kind, name, within_s: LEARN_S, ...wish, ...(kind === "macro" && sends.select.value ? { encoder: sends.select.value, steps: whole(steps.value), pickup: true, pair: false } : {}), ...(desk.select.value ? { controller: desk.select.value } : {}), ...(over ? { replace: true } : {}) });
    attr(learn, "aria-disabled", null);
    cancel.hidden = true;
    if (result.ok) {
      const row = /** @type {any} */ (result).learned;
      text(said, `${row.controller}, ${called(row)}: ${does(row)}.`);
      await load();
    } else {
      text(said, result.problem?.detail ?? "The link is silent: that was not sent.");
      replace.hidden = result.problem?.kind !== "taken";
    }
  }

  function options() {
    const { lanes, macros, sections } = app.store.state, stood = target.select.value;
    const all = [...Object.keys(macros).map((n) => ["macro", n]), ...Object.keys(lanes).map((n) => ["mute", n]), ...sections.map((n) => ["section", n]), ...TRANSPORT.map((n) => ["transport", n])];
    target.select.replaceChildren(...all.map(([kind, name]) => h("option", { value: `${kind} ${name}`, text: `${kind}: ${name.replaceAll("-", " ")}` })));
    if (stood) target.select.value = stood;
  }

  function controlRow(row) {
    const address = `controllers/${row.controller}/${row.kind}/${row.channel}/${row.number}`;
    const box = h("div", {});
    const fail = judged(box, box);
    const change = async (key, on) => {
      const { target: kind, name, pickup, feedback, pair, latch, encoder, steps } = row;
      try { await api("PUT", address, { target: kind, name, pickup, feedback, pair, latch, encoder, steps, [key]: on }); row[key] = on; return []; } catch (error) { return linesOf(error); }
    };
    const marks = h("div", { class: "field-row" }, ...OPTIONS.filter(([key]) => !(row.encoder && POSITION.includes(key)) && (key === "feedback" || (row.target === "macro") === POSITION.includes(key))).map(([key, caption]) => {
      const mark = toggle(caption, (on) => change(key, on));
      mark.press.setAttribute("aria-label", `${caption}: ${row.controller} ${called(row)}`);
      mark.update(row[key]);
      return mark.el;
    }));
    if (row.encoder) marks.prepend(stepsOf(row, change, move));
    const knob = h("span", { class: "knob", "aria-hidden": "true" }, h("i"), h("u")), where = h("small");
    live.set(`${row.controller} ${row.kind}-${row.number}-${row.channel}`, (control) => {
      const { value, waiting, goal } = control;
      knob.hidden = value === null || value === undefined;
      if (!knob.hidden) knob.style.setProperty("--v", String(value));
      attr(knob, "data-goal", waiting && goal != null ? "yes" : null);
      if (waiting && goal != null) knob.style.setProperty("--goal", String(goal));
      text(where, row.encoder ? `encoder, ${row.steps} steps from end to end` : value == null ? "not moved yet" : waiting && goal != null ? `stands at ${percent(value)}: turn ${goal > value ? "up" : "down"} to ${percent(goal)}, then it takes hold` : `stands at ${percent(value)}`);
    });
    box.prepend(
      h("div", { class: "control-head" }, h("div", {}, h("strong", { text: does(row) }), h("small", { text: `${row.controller}, ${called(row)}${row.known ? "" : ": this set has no such thing"}` })), knob, where,
        tool("Forget", async () => { await fail.hear(api("DELETE", address).then(() => { load(); return []; }, linesOf)); }, { "aria-label": `Forget ${row.controller} ${called(row)}` })),
      marks);
    return h("li", {}, box);
  }

  async function load() {
    options();
    try {
      const { controls, controllers } = await api("GET", "controllers");
      live.clear();
      rows.replaceChildren(...controls.map(controlRow));
      desk.select.replaceChildren(h("option", { value: "", text: "any controller" }), ...controllers.map((c) => h("option", { value: c.controller, text: c.controller })));
      desks.replaceChildren(...controllers.map((c) => h("li", {}, h("div", {}, h("strong", { text: c.controller }), h("small", { text: `${c.port}: ${c.open ? "present" : "lost; it comes back by itself when the cable does"}` })),
        tool("Take it out", async () => { try { await api("DELETE", `controllers/${c.controller}`); say(`${c.controller} is out of the rig.`); load(); } catch (error) { text(said, linesOf(error).join("\n")); } }, { "aria-label": `Take ${c.controller} out of the rig` }))));
      text(none, controllers.length ? (controls.length ? "" : "No control is bound yet.") : "No controller is in the rig yet. Add one by a part of its MIDI port's name.");
      const nothing = controllers.length === 0;
      learning.hidden = nothing;
      move();
    } catch (error) { text(said, linesOf(error).join("\n")); }
  }

  /** Where the knobs stand, as the state tells it. */
  function move() {
    for (const [name, desk] of Object.entries(app.store.state.controllers ?? {}))
      for (const [key, control] of Object.entries(desk.controls ?? {})) live.get(`${name} ${key}`)?.(control);
  }

  function adder() {
    const name = words({ maxlength: "32" }), port = words({ maxlength: "80" });
    const field = labelled("Name", name, "of your own"), where = labelled("Part of its MIDI port's name", port, "or: simulated");
    const bad = judged(where, port);
    const form = h("form", { class: "field-row", "aria-label": "Add a controller", novalidate: true }, field, where, h("button", { type: "submit", class: "k tool", text: "Add the controller" }));
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (!name.value.trim() || !port.value.trim()) { bad.show(["Both a name and a part of the port's name."]); return; }
      const taken = await bad.hear(api("PUT", `controllers/${encodeURIComponent(name.value.trim())}`, { port: port.value.trim() }).then(() => [], linesOf));
      if (taken) { name.value = port.value = ""; await load(); }
    });
    return form;
  }

  const learning = h("div", { class: "fields", hidden: true }, h("h3", { text: "Learn" }), h("div", { class: "field-row" }, target.el, desk.el), marks, h("div", { class: "row-wrap" }, learn, cancel, replace));
  app.store.on(["controllers"], () => { if (here) move(); });
  return {
    name: "controllers", title: "Controllers",
    note: () => { const n = Object.keys(app.store.state.controllers ?? {}).length; return n ? `${n}` : "none"; },
    el: h("article", { "aria-label": "Controllers", class: "fields" }, h("h2", { text: "Controllers" }), desks, none, learning, said, rows, h("h3", { text: "Add a controller" }), adder()),
    shown() { here = true; return load(); },
    hidden() { here = false; },
  };
}
