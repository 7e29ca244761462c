/** Choosing an audio input of the computer that plays, and one of its channels. */

import { h, text } from "./dom.js";
import { api, attempt, picker } from "./fields.js";

/** @param {HTMLElement} problem where refusals are said @param {...HTMLElement} tools what stands beside the choice */
export function inputChoice(problem, ...tools) {
  /** @type {import("./types.js").AudioInput[]} */
  let inputs = [];
  const which = picker("Audio input", [], () => { channels(); });
  const channel = picker("Channel", [["1", "1"]], () => {});
  const none = h("p", { class: "says" });
  const form = h("div", { class: "row-wrap" }, which.el, channel.el, ...tools);

  function channels() {
    const count = inputs.find((input) => input.name === which.select.value)?.channels ?? 1;
    channel.select.replaceChildren(...Array.from({ length: count }, (_, i) => h("option", { value: String(i + 1), text: String(i + 1) })));
  }

  return {
    /** Why there is no input, and the choice with its tools. */
    els: [none, form],
    /** Asks what inputs there are: one may have been plugged in, or pulled out. What was chosen stays. */
    async look() {
      const before = which.select.value;
      const answer = await attempt(problem, () => api("GET", "audio-inputs"));
      if (!answer) return;
      inputs = answer.inputs;
      text(none, answer.says.replace(/^./, (first) => first.toUpperCase()));
      which.select.replaceChildren(...inputs.map((input) => h("option", { value: input.name, text: `${input.name} (${input.system})` })));
      const usual = inputs.find((input) => input.name === before) ?? inputs.find((input) => input.default);
      if (usual) which.select.value = usual.name;
      if (which.select.value !== before) channels();
      form.hidden = !inputs.length;
    },
    /** What a request names. */
    chosen: () => ({ input: which.select.value, channel: Number(channel.select.value) }),
  };
}
