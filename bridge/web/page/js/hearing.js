/** Letting an audio input answer the soundcheck: what it heard of each output, in words. */

import { attr, h, text, tool } from "./dom.js";
import { api, attempt } from "./fields.js";
import { inputChoice } from "./inputs.js";

/** @param {HTMLElement} problem where refusals are said @param {(check: any) => void} show */
export function hearingPart(problem, show) {
  const said = h("p", { class: "says", role: "status" });
  const list = h("ul", { class: "plain heard", "aria-label": "What was heard" });
  const end = h("div", { class: "says" });
  const begin = tool("Monitors are down: listen to all outputs", async () => {
    const check = await attempt(problem, () => api("POST", "soundcheck/listen", choice.chosen()));
    if (check) show(check);
  });
  const stop = tool("Stop listening", () => attempt(problem, () => api("POST", "soundcheck/stop")));
  const keep = tool("Right: keep these sounds", async () => {
    const check = await attempt(problem, () => api("POST", "soundcheck/keep"));
    if (check) show(check);
  });
  const choice = inputChoice(problem, begin, stop);
  const el = h("details", { class: "listening" }, h("summary", { text: "Let an audio input listen" }),
    h("p", { text: "With the whole rack on an audio input of the computer that plays. Each gate is fired alone, each pitch moved by an octave, each level raised, quietly first, and what is heard is said in words and compared with the last good soundcheck. It is a hint: you know how your rack is meant to sound. Turn the monitors down. Nothing of the sound is kept but a few figures of each voice." }),
    ...choice.els, said, list, end, h("div", { class: "row-wrap" }, keep));
  el.addEventListener("toggle", () => { if (/** @type {HTMLDetailsElement} */ (el).open) choice.look(); });

  return {
    el,
    /** @param {import("./types.js").SoundcheckState} check */
    update(check) {
      const ears = check.listening;
      if (ears?.running) /** @type {HTMLDetailsElement} */ (el).open = true;
      attr(begin, "aria-disabled", ears?.running ? "true" : null);
      attr(stop, "aria-disabled", ears?.running ? null : "true");
      text(said, !ears ? "" : ears.running ? `Listening to ${ears.input || "the default input"}.` : ears.kept ? "The figures of these sounds are kept, to compare with next time." : "");
      const heard = ears?.heard ?? [], summary = ears?.summary ?? [];
      list.replaceChildren(...heard.map((one) => h("li", { class: one.good ? null : "amiss", text: one.says })));
      end.replaceChildren(...summary.map((line) => h("p", { text: line.trim() })));
      end.classList.toggle("amiss", Boolean(ears && !ears.running && !ears.complete));
      keep.hidden = !ears || ears.running || !ears.complete || ears.kept;
    },
  };
}
