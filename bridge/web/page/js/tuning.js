/** Tuning of a pitch output: a ladder of notes is sounded, readings are typed beside it, and a strip
 * shows how far each note is off before and would be after. */

import { attr, h, say, text, tool } from "./dom.js";
import { api, attempt, linesOf, picker } from "./fields.js";
import { entry } from "./forms.js";
import { listeningPart } from "./listening.js";
import { residualStrip } from "./residuals.js";

const EVERY = [["12", "every octave"], ["6", "every half octave"], ["4", "every four semitones"], ["3", "every three semitones"]];
const cents = (v) => `${v > 0 ? "+" : v < 0 ? "−" : ""}${Math.abs(v).toFixed(1)}`;

/** @returns {import("./bench.js").Part} */
export function tuningPart(app) {
  const problem = h("div", { class: "problem", role: "alert" });
  const body = h("div", { class: "fields" });
  const el = h("article", { "aria-label": "Tuning" }, h("h2", { text: "Tuning" }), problem, body);
  /** @type {any[]} */
  let outputs = [];
  let here = false, shape = "";
  /** @type {((session: any) => void)|null} */
  let update = null;

  async function load() {
    const answer = await attempt(problem, () => api("GET", "tuning"));
    if (!answer) return;
    outputs = answer.outputs;
    show(answer.session, true);
  }

  /** @param {any} session */
  function show(session, anew = false) {
    const next = session ? `${session.output} ${session.notes.map((n) => n.note)}` : "";
    if (anew || next !== shape || !body.children.length) {
      shape = next;
      update = null;
      body.replaceChildren(...(session ? bench(session) : choices()));
    }
    if (session) update?.(session);
  }

  // --- which output ---
  function choices() {
    const every = picker("Notes to measure", EVERY, () => {});
    every.select.value = "6";
    const begin = async (output) => {
      if (app.store.state.transport.state !== "stopped") await app.link.send({ do: "stop" });
      const session = await attempt(problem, () => api("POST", "tuning/session", { output, every: Number(every.select.value) }));
      if (session) show(session);
    };
    const undo = async (output) => { if (await attempt(problem, () => api("POST", "tuning/undo", { output }))) { say(`${output}: the tuning before holds again.`); await load(); } };
    return [
      h("p", { text: "Sounds a ladder of notes on one pitch output. Measure each with a meter (volts) or a tuner (Hz, or a note and cents), type what you read (or let it listen to the voice), and keep what comes out. The song stops for it; turn the monitors down first." }),
      every.el,
      h("ul", { class: "plain", "aria-label": "Pitch outputs" }, ...outputs.map((o) => h("li", { class: "tuned" },
        h("div", {}, h("strong", { text: o.output }), h("small", { text: `${o.cable || "no cable written down"}; ${o.law}; ${o.made ? `tuned ${o.made.slice(0, 10)} from ${o.points} readings` : "not tuned"}` })),
        h("div", { class: "row-wrap" }, tool("Stop and tune", () => begin(o.output), { "aria-label": `Stop and tune ${o.output}` }),
          o.made ? tool("Undo the last tuning", () => undo(o.output), { "aria-label": `Undo the last tuning of ${o.output}` }) : null)))),
      outputs.length ? null : h("p", { text: "This rig has no pitch output." }),
    ].filter((part) => part !== null);
  }

  // --- one output on the bench ---
  function bench(session) {
    const rows = session.notes.map((note) => noteRow(note));
    const strip = residualStrip();
    const listening = listeningPart(problem, show);
    const said = h("p", { class: "says", role: "status" });
    const facts = h("dl", { class: "facts" });
    let doubtful = false; // the doubts stand above the button, and its label speaks of them
    const keep = tool("Keep it", async () => {
      const kept = await attempt(problem, () => api("POST", "tuning/session/keep", { doubtful }));
      if (kept) { say(`${kept.output} is tuned; kept beside the rig in ${kept.file.split("/").pop()}.`); await load(); }
    });
    const silent = tool("Silence", () => attempt(problem, () => api("PUT", "tuning/session/sound", { note: null })));
    const leave = tool("Leave it as it was", async () => { if (await attempt(problem, () => api("DELETE", "tuning/session"))) await load(); });
    update = (now) => {
      const of = new Map((now.result?.rows ?? []).map((row) => [Math.round(row.note), row]));
      rows.forEach((row, i) => row.update(now.notes[i], of.get(now.notes[i].note), now.sounding));
      attr(silent, "aria-disabled", now.sounding === null ? "true" : null);
      attr(keep, "aria-disabled", now.result ? null : "true");
      doubtful = Boolean(now.result?.doubts.length);
      text(keep, doubtful ? "Keep it in spite of the doubts" : "Keep it");
      text(said, [now.says, ...(now.result?.warnings ?? [])].filter(Boolean).join("\n"));
      strip.update(now.notes, now.result);
      listening.update(now);
      facts.replaceChildren(...(now.result ? [
        ["worst before", `${now.result.worst_before.toFixed(1)} cents`], ["worst after", `${now.result.worst_after.toFixed(1)} cents`],
        ["offset", `${now.result.offset_mv.toFixed(2)} mV`], ["gain", now.result.gain.toFixed(5)],
        ...(now.result.octaves ? [["octaves away", `${now.result.octaves}: only the cents count`]] : []),
      ].flatMap(([term, words]) => [h("dt", { text: term }), h("dd", { text: words })]) : []));
    };
    return [
      h("p", {}, h("strong", { text: session.output }), ` ${session.cable || "no cable written down"}. It plays untuned until you keep what comes out or leave.`),
      listening.el,
      h("ol", { class: "ladder", "aria-label": "Notes to measure" }, ...rows.map((row) => row.el)),
      said, strip.el, facts,
      h("div", { class: "row-wrap" }, keep, silent, leave),
    ];
  }

  function noteRow({ note, name }) {
    const sound = tool(name, () => attempt(problem, () => api("PUT", "tuning/session/sound", { note })), { class: "k tool rung", "aria-pressed": "false", "aria-label": `Sound ${name}` });
    const field = entry(`What you read at ${name}`, async (typed) => {
      try { show(await api("PUT", "tuning/session/readings", { note, text: typed.trim() })); return []; } catch (error) { return linesOf(error); }
    }, { attrs: { placeholder: "2.003 V, 130.9 Hz, C3 +2", maxlength: "40" } });
    const off = h("span", { class: "off num", title: "cents off, before and after" });
    field.input.addEventListener("keydown", (event) => {
      if (event.key !== "Enter") return;
      const next = el.nextElementSibling?.querySelector("input");
      if (next) /** @type {HTMLElement} */ (next).focus();
    });
    const el = h("li", { "data-note": note }, sound, field.el, off);
    return {
      el,
      update(now, row, sounding) {
        attr(sound, "aria-pressed", sounding === note);
        field.update(now.text);
        text(off, row ? `${cents(row.before)} → ${cents(row.after)}${Math.abs(row.missed) >= 0.5 ? ", cannot be reached" : row.left_out ? ", left out" : ""}` : now.volts === null ? "" : `${now.volts.toFixed(4)} V`);
      },
    };
  }

  app.store.on(["tuning"], ({ tuning }) => {
    if (!here) return;
    if (!tuning && shape) load();
    else if (tuning) show(tuning);
  });
  return {
    name: "tuning", title: "Tuning", el,
    note: () => (app.store.state.tuning ? "on the bench" : outputs.length ? `${outputs.filter((o) => o.made).length} of ${outputs.length}` : ""),
    shown() { here = true; return load(); },
    hidden() {
      here = false;
      const tuning = app.store.state.tuning;
      if (tuning?.sounding != null && !tuning.ear?.running) api("PUT", "tuning/session/sound", { note: null }).catch(() => {});
    },
  };
}
