/** Copy, clear and change by chance: one gesture each, one step of undo each. */

import { h, say, tool } from "./dom.js";
import { api, fader, judged, labelled, picker, linesOf } from "./fields.js";
import { words } from "./forms.js";

const WHAT = [["pattern", "the pattern"], ["settings", "the settings"]];

/** @param {import("./lane-edit.js").LaneEditor} edit */
export function varyPart(edit) {
  let amount = 0.4;
  const what = picker("Of this lane", WHAT, () => {});
  const how = fader({ name: "how much", low: 0, high: 1, unit: "" }, (v) => { amount = v; });
  how.update(amount);
  const to = words({ maxlength: "32" });
  const target = labelled("Copy to", to, "a new name, or a lane that takes it on");
  const copySaid = judged(target, to);
  const acts = h("div", {});
  const said = judged(acts, acts);

  /** @returns {Promise<string[]>} */
  async function ask(act, body, words) {
    try {
      const answer = await api("POST", `lanes/${edit.name}/${act}`, body);
      say(words(answer));
      await edit.model.load();
      return [];
    } catch (error) { return linesOf(error); }
  }
  const randomise = tool("By chance", () => said.hear(ask("randomise", { amount, what: what.select.value }, ({ seed }) => `${edit.name} is changed by chance, seed ${seed}. Undo brings it back.`)), { "aria-label": "Change it by chance" });
  const clear = tool("Clear", () => said.hear(ask("clear", { what: what.select.value }, () => `${edit.name} is cleared. Undo brings it back.`)), { "aria-label": "Clear it" });
  const copy = tool("Copy", async () => {
    const name = to.value.trim();
    if (!name) { copySaid.show(["The name of a lane, new or old."]); to.focus(); return; }
    const old = name in edit.model.data.lanes;
    const taken = await copySaid.hear(ask("copy", old ? { to: name, what: what.select.value } : { to: name }, () => `${edit.name} is copied to ${name}.`));
    if (taken) { to.value = ""; if (!old) edit.choose("lane", name); } else to.focus();
  });
  acts.prepend(h("div", { class: "field-row vary" }, what.el, h("div", { class: "field" }, how.el), randomise, clear));
  return h("details", {}, h("summary", { text: "Copy, clear, change by chance" }), acts, h("div", { class: "with-button" }, target, copy));
}
