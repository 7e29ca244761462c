/** Listening to the voice that is tuned: an audio input of the computer that plays, and what was heard. */

import { attr, h, text, tool } from "./dom.js";
import { api, attempt, picker } from "./fields.js";
import { residualStrip } from "./residuals.js";

/** @param {HTMLElement} problem where refusals are said @param {(session: any) => void} show */
export function listeningPart(problem, show) {
  /** @type {any[]} */
  let inputs = [];
  const which = picker("Audio input", [], () => { channels(); });
  const channel = picker("Channel", [["1", "1"]], () => {});
  const none = h("p", { class: "says" });
  const said = h("p", { class: "says", role: "status" });
  const strip = residualStrip(["after"], "heard again with this tuning");
  const begin = tool("Monitors are down: listen and measure", async () => {
    const session = await attempt(problem, () => api("POST", "tuning/session/listen", { input: which.select.value, channel: Number(channel.select.value) }));
    if (session) show(session);
  });
  const end = tool("Stop listening", async () => {
    const session = await attempt(problem, () => api("DELETE", "tuning/session/listen"));
    if (session) show(session);
  });
  const form = h("div", { class: "row-wrap" }, which.el, channel.el, begin, end);
  const el = h("details", { class: "listening" }, h("summary", { text: "Listen instead of typing" }),
    h("p", { text: "With this voice alone on an audio input of the computer that plays: one plain wave, its amplifier open, no portamento or effects. Turn the monitors down, begin with a low level, and let everything warm up first. It plays all notes, then checks others with what it found. Nothing of what is heard is kept but the pitches." }),
    none, form, said, strip.el);

  function channels() {
    const one = inputs.find((input) => input.name === which.select.value);
    const count = one?.channels ?? 1;
    channel.select.replaceChildren(...Array.from({ length: count }, (_, i) => h("option", { value: String(i + 1), text: String(i + 1) })));
  }

  async function look() {
    const answer = await attempt(problem, () => api("GET", "audio-inputs"));
    if (!answer) return;
    inputs = answer.inputs;
    text(none, answer.says);
    which.select.replaceChildren(...inputs.map((input) => h("option", { value: input.name, text: `${input.name} (${input.system})` })));
    const usual = inputs.find((input) => input.default);
    if (usual) which.select.value = usual.name;
    channels();
    form.hidden = !inputs.length;
  }
  el.addEventListener("toggle", () => { if (/** @type {HTMLDetailsElement} */ (el).open && !inputs.length) look(); });

  return {
    el,
    /** @param {any} session */
    update(session) {
      const ear = session.ear;
      if (ear?.running) /** @type {HTMLDetailsElement} */ (el).open = true;
      attr(begin, "aria-disabled", ear?.running ? "true" : null);
      attr(end, "aria-disabled", ear?.running ? null : "true");
      // What is null in the state is not there at all once it has come as a change.
      const drift = typeof ear?.drift === "number" ? `Drift: ${ear.drift.toFixed(1)} cents a minute.` : "";
      text(said, ear ? [ear.running ? `Listening to ${ear.input}.` : ear.says, ...ear.noticed, drift].filter(Boolean).join("\n") : "");
      const checked = ear?.checked ?? [];
      if (checked.length) el.append(strip.el);
      else strip.el.remove();
      if (checked.length) strip.update(checked, { rows: checked.map((one) => ({ note: one.note, name: one.name, before: 0, after: one.cents, left_out: false })) });
    },
  };
}
