/** Listening to the voice that is tuned: an audio input of the computer that plays, and what was heard. */

import { attr, h, text, tool } from "./dom.js";
import { api, attempt } from "./fields.js";
import { inputChoice } from "./inputs.js";
import { residualStrip } from "./residuals.js";

/** @param {HTMLElement} problem where refusals are said @param {(session: any) => void} show */
export function listeningPart(problem, show) {
  const said = h("p", { class: "says", role: "status" });
  const strip = residualStrip(["after"], "heard again with this tuning");
  const begin = tool("Monitors are down: listen and measure", async () => {
    const session = await attempt(problem, () => api("POST", "tuning/session/listen", choice.chosen()));
    if (session) show(session);
  });
  const end = tool("Stop listening", async () => {
    const session = await attempt(problem, () => api("DELETE", "tuning/session/listen"));
    if (session) show(session);
  });
  const choice = inputChoice(problem, begin, end);
  const el = h("details", { class: "listening" }, h("summary", { text: "Listen instead of typing" }),
    h("p", { text: "With this voice alone on an audio input of the computer that plays: one plain wave, its amplifier open, no portamento or effects. Turn the monitors down, begin with a low level, and let everything warm up first. It plays all notes, then checks others with what it found. Nothing of what is heard is kept but the pitches." }),
    ...choice.els, said, strip.el);

  el.addEventListener("toggle", () => { if (/** @type {HTMLDetailsElement} */ (el).open) choice.look(); });

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
      said.classList.toggle("amiss", Boolean(ear && !ear.running && !ear.complete));
      const checked = ear?.checked ?? [];
      if (checked.length) el.append(strip.el);
      else strip.el.remove();
      if (checked.length) strip.update(checked, { rows: checked.map((one) => ({ note: one.note, name: one.name, before: 0, after: one.cents, left_out: false })) });
    },
  };
}
