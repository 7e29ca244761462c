/** Soundcheck: one output at a time, named with its cable, quietly first. The person says whether it
 * arrived; the service remembers, so that a second screen may go on where the first one stopped. */

import { attr, h, text, tool } from "./dom.js";
import { api, attempt } from "./fields.js";
import { hearingPart } from "./hearing.js";

const SAID = { yes: "arrives", no: "does not arrive", skip: "skipped" };

/** @returns {import("./bench.js").Part} */
export function soundcheckPart(app) {
  const problem = h("div", { class: "problem", role: "alert" });
  const body = h("div", { class: "fields" });
  const el = h("article", { "aria-label": "Soundcheck" }, h("h2", { text: "Soundcheck" }), problem, body);
  let here = false, chosen = "", shape = "", caution = "";
  /** @type {((check: any) => void)|null} */
  let update = null;
  const hearing = hearingPart(problem, show); // once: it stays open from one output to the next

  async function load() {
    const answer = await attempt(problem, () => api("GET", "soundcheck"));
    if (!answer) return;
    caution = answer.caution;
    show(answer.check);
  }

  function show(check) {
    const at = check && check.outputs.find((o) => o.output === chosen);
    const done = check && check.outputs.every((o) => o.answer) && !at;
    if (check && !at && !done) chosen = check.outputs.find((o) => !o.answer)?.output ?? "";
    const next = !check ? "idle" : done ? `done ${check.outputs.map((o) => o.answer)}` : chosen;
    if (next !== shape || !body.children.length) {
      shape = next;
      update = null;
      if (!check) body.replaceChildren(...idle());
      else if (done) report(check);
      else body.replaceChildren(...bench(check.outputs.find((o) => o.output === chosen), check));
    }
    if (check) update?.(check);
  }

  // --- before it begins: the caution, and a promise ---
  function idle() {
    const promise = h("button", { type: "button", class: "k tool check", role: "switch", "aria-checked": "false" }, h("span", { class: "tick", "aria-hidden": "true" }), "Monitors and headphones are down");
    const begin = tool("Stop and begin", async () => {
      if (app.store.state.transport.state !== "stopped") await app.link.send({ do: "stop" });
      chosen = "";
      const check = await attempt(problem, () => api("POST", "soundcheck", { monitors_down: true }));
      if (check) show(check);
    }, { "aria-disabled": "true" });
    promise.addEventListener("click", () => {
      const down = promise.getAttribute("aria-checked") !== "true";
      attr(promise, "aria-checked", down);
      attr(begin, "aria-disabled", down ? null : "true");
    });
    return [
      h("p", { class: "caution", text: caution }),
      h("p", { text: "Sends to one output at a time: gates pulse, pitch steps through its octaves, levels sweep, quietly first. You say whether it arrived where the cable goes. The song stops for it." }),
      h("div", { class: "row-wrap" }, promise, begin),
    ];
  }

  // --- one output ---
  function bench(output, first) {
    const play = tool("Play it", () => attempt(problem, () => api("POST", "soundcheck/play", { output: output.output })));
    const louder = tool("Louder", () => attempt(problem, () => api("POST", "soundcheck/play", { output: output.output, loud: true })));
    const silence = tool("Silence", () => attempt(problem, () => api("POST", "soundcheck/stop")));
    const answer = (word) => async () => {
      await api("POST", "soundcheck/stop").catch(() => {});
      chosen = "";
      const check = await attempt(problem, () => api("PUT", "soundcheck/answers", { output: output.output, answer: word }));
      if (!check) return;
      const from = check.outputs.findIndex((o) => o.output === output.output);
      const rest = [...check.outputs.slice(from + 1), ...check.outputs.slice(0, from)];
      chosen = rest.find((o) => !o.answer)?.output ?? "";
      show(check);
      /** @type {HTMLElement|null} */ (body.querySelector(".ask .k"))?.focus({ preventScroll: true });
    };
    const state = h("p", { role: "status" });
    const list = h("ol", { class: "checks", "aria-label": "Outputs of this check" });
    const rows = new Map(first.outputs.map((o) => {
      const row = tool([h("span", { text: o.output }), h("small")], () => { chosen = o.output; show(app.store.state.soundcheck ?? first); }, { class: "k tool plain" });
      list.append(h("li", {}, row));
      return [o.output, row];
    }));
    update = (check) => {
      hearing.update(check);
      text(state, check.playing === output.output ? (check.loud ? "Sounding, louder." : "Sounding, quietly.") : check.playing ? `${check.playing} is sounding.` : "Silent.");
      for (const o of check.outputs) {
        const row = rows.get(o.output);
        if (!row) continue;
        attr(row, "data-answer", o.answer);
        attr(row, "aria-current", o.output === output.output ? "true" : null);
        text(/** @type {HTMLElement} */ (row.lastChild), o.answer ? SAID[o.answer] : o.output === output.output ? "now" : "");
      }
    };
    return [
      h("div", { class: "ask", role: "group", "aria-label": `Soundcheck of ${output.output}` },
        h("h3", { class: "cable", text: output.cable || "No cable is written down for it" }),
        h("p", { text: output.says }), state,
        h("div", { class: "row-wrap" }, play, louder, silence),
        h("div", { class: "row-wrap answers" }, tool("Yes, it arrives", answer("yes")), tool("No", answer("no")), tool("Skip", answer("skip")))),
      hearing.el,
      list,
      h("div", { class: "row-wrap" }, tool("End the soundcheck", end)),
    ];
  }

  async function end() {
    chosen = "";
    if (await attempt(problem, () => api("DELETE", "soundcheck"))) show(null);
  }

  // --- what failed ---
  async function report(check) {
    const bad = check.outputs.filter((o) => o.answer === "no"), skipped = check.outputs.filter((o) => o.answer === "skip");
    const area = h("pre", { class: "report", tabindex: "0", "aria-label": "Report" });
    body.replaceChildren(
      h("p", { class: "verdict", role: "status", text: bad.length ? `${bad.length} did not arrive: ${bad.map((o) => o.output).join(", ")}.` : skipped.length === check.outputs.length ? "Nothing was checked." : `Nothing failed.${skipped.length ? ` ${skipped.length} skipped.` : ""}` }),
      bad.length ? h("ul", { class: "plain" }, ...bad.map((o) => h("li", {}, h("div", {}, h("strong", { text: o.output }), h("small", { text: o.cable || "no cable written down" })), tool("Once more", () => { chosen = o.output; show(check); }, { "aria-label": `Once more: ${o.output}` })))) : h("span"),
      area,
      h("div", { class: "row-wrap" }, tool("End the soundcheck", end)));
    const answer = await attempt(problem, () => api("GET", "soundcheck"));
    if (answer) text(area, answer.report);
  }

  app.store.on(["soundcheck"], ({ soundcheck }) => { if (here) show(soundcheck ?? null); });
  return {
    name: "soundcheck", title: "Soundcheck", el,
    note() {
      const check = app.store.state.soundcheck;
      return check ? `${check.outputs.filter((o) => o.answer).length} of ${check.outputs.length}` : "";
    },
    shown() { here = true; return load(); },
    hidden() { here = false; if (app.store.state.soundcheck?.playing) api("POST", "soundcheck/stop").catch(() => {}); },
  };
}
