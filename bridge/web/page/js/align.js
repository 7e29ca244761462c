/** Lining up by an audio input: how late each voice is, what would be written into the rig, before and
 * after, and the button that writes it. */

import { attr, h, say, text, tool } from "./dom.js";
import { api, attempt } from "./fields.js";
import { inputChoice } from "./inputs.js";

/** @returns {import("./bench.js").Part} */
export function alignPart(app) {
  const problem = h("div", { class: "problem", role: "alert" });
  const caution = h("p", { class: "caution" });
  const said = h("p", { class: "says", role: "status" });
  const list = h("ul", { class: "plain heard", "aria-label": "How late each voice is" });
  const proposed = h("ul", { class: "plain proposed", "aria-label": "What would be written" });
  let here = false;

  /** @param {string} path @param {any} [body] */
  const ask = async (path, body) => {
    const state = await attempt(problem, () => api("POST", `align/${path}`, body));
    if (state) show(state);
    return state;
  };
  const begin = tool("Monitors are down: listen to each", async () => {
    if (app.store.state.transport.state !== "stopped") await app.link.send({ do: "stop" });
    await ask("voices", { ...choice.chosen(), monitors_down: true });
  });
  const stop = tool("Stop listening", () => attempt(problem, () => api("POST", "align/stop")));
  const choice = inputChoice(problem, begin, stop);
  const hear = tool("Listen to the click", () => ask("click", clicks.chosen()));
  const clicks = inputChoice(problem, hear);
  const host = h("details", { class: "listening" }, h("summary", { text: "Put the rack on the host's click" }),
    h("p", { text: "The rig follows a host. Let the host click on every beat, alone on an input of the same audio interface; begin to listen with the host stopped, then start it. After 20 seconds the offset of the clock is proposed below." }),
    ...clicks.els);
  const apply = tool("Write this into the rig", async () => {
    const state = await ask("apply");
    if (state) say("Written into the rig; it holds from the next start.");
  });
  const forget = tool("Leave the rig as it was", async () => { if (await attempt(problem, () => api("DELETE", "align"))) show(null); });
  const decide = h("div", { class: "row-wrap" }, apply, forget);
  const el = h("article", { "aria-label": "Align", class: "fields" }, h("h2", { text: "Align" }), problem, caution,
    h("p", { text: "With the whole rack on an audio input of the computer that plays. Each voice whose cable is written down is struck twelve times, quietly first, and how late it sounds is measured. The others are then played earlier, so that all fall together with the earliest. The song stops for it. Nothing of the sound is recorded or kept, and nothing is written before you say so." }),
    ...choice.els, said, list, host, proposed, decide);
  host.addEventListener("toggle", () => { if (/** @type {HTMLDetailsElement} */ (host).open) clicks.look(); });

  /** @param {import("./types.js").AlignState|null} state */
  function show(state) {
    const running = Boolean(state?.running);
    attr(begin, "aria-disabled", running ? "true" : null);
    attr(hear, "aria-disabled", running ? "true" : null);
    attr(stop, "aria-disabled", running ? null : "true");
    const input = state?.input || "the default input";
    text(said, !state ? "" : running ? (state.hears === "click" ? `Listening to the click on ${input}. Start the host now.` : `Listening to ${input}: ${state.heard.length} measured so far.`)
      : state.applied ? "Written into the rig; it holds from the next start." : state.says.join("\n"));
    said.classList.toggle("amiss", Boolean(state && !running && (!state.complete || state.says[0]?.startsWith("no offset"))));
    list.replaceChildren(...(state?.heard ?? []).map((one) => h("li", { class: one.good ? null : "amiss", text: one.says })));
    proposed.replaceChildren(...(state?.proposed ?? []).map((line) => h("li", { text: line.replace("->", "→") })));
    host.hidden = !state?.complete || app.store.state.clock.source === "internal";
    decide.hidden = !state || running;
    apply.hidden = !(state?.complete && state.changes && !state.applied);
    text(forget, state?.applied || !state?.changes ? "Done" : "Leave the rig as it was");
  }

  async function load() {
    const answer = await attempt(problem, () => api("GET", "align"));
    if (!answer) return;
    text(caution, answer.caution);
    show(answer.align);
    await choice.look();
  }

  app.store.on(["align", "clock"], ({ align }) => { if (here) show(align ?? null); });
  return {
    name: "align", title: "Align", el,
    note() {
      const state = app.store.state.align;
      return state?.running ? "listening" : state?.complete && !state.applied && state.changes ? "to be written" : "";
    },
    shown() { here = true; return load(); },
    hidden() { here = false; }, // it goes on: another screen may look at it
  };
}
