/** Fields of words, of yes and no, and of rounds. Each is `{el, update(value)}`, as in fields.js. */

import { attr, h, text, tool } from "./dom.js";
import { judged, labelled } from "./fields.js";

const WORDS = { autocapitalize: "none", autocomplete: "off", spellcheck: "false" };

/** A plain text field of names and numbers. @returns {HTMLInputElement} */
export function words(attrs = {}) {
  return /** @type {HTMLInputElement} */ (h("input", { type: "text", ...WORDS, ...attrs }));
}

/**
 * A line of text that is taken with Enter or when the field is left. `set` gives back the lines
 * said against it, if any; what was typed stays then.
 * @param {string} caption
 * @param {(text: string) => Promise<string[]>|any} set
 * @param {{hint?: string, attrs?: Record<string, any>}} [more]
 */
export function entry(caption, set, { hint = "", attrs = {} } = {}) {
  const input = words(attrs);
  const el = labelled(caption, input, hint);
  const said = judged(el, input);
  let last = "";
  const take = async () => {
    if (input.value === last && !said.kept) return;
    const tried = input.value;
    if (await said.hear(set(tried))) last = tried;
  };
  input.addEventListener("change", take);
  input.addEventListener("keydown", (event) => {
    if (event.key === "Enter") { event.preventDefault(); take(); }
    if (event.key === "Escape") { input.value = last; said.show([]); }
  });
  return {
    el, input, said,
    update(value) {
      if (said.kept || (document.activeElement === input && input.value !== last)) return;
      last = value ?? "";
      input.value = last;
    },
  };
}

/** Yes or no, told as absolute values. @param {string} caption @param {(on: boolean) => any} set */
export function toggle(caption, set, hint = "") {
  const el = h("div", { class: "field toggle" });
  const press = tool([h("span", { class: "tick", "aria-hidden": "true" }), caption], async () => {
    const next = press.getAttribute("aria-checked") !== "true";
    if (await said.hear(set(next))) attr(press, "aria-checked", next);
  }, { class: "k tool check", role: "switch", "aria-checked": "false" });
  el.append(press);
  const said = judged(el, press);
  if (hint) el.append(h("small", { text: hint }));
  return { el, press, update(on) { attr(press, "aria-checked", Boolean(on)); } };
}

/** "Only on passes 1 and 3 of 4": the round as marks on a line.
 * @param {(value: {on: number[], of: number}|null) => Promise<string[]>} set null: on every pass */
export function rounds(set) {
  let on = [1], of = 1;
  const marks = h("div", { class: "marks" });
  const el = h("div", { class: "field", role: "group", "aria-label": "Passes on which it sounds" }, h("span", { class: "cap", text: "Sounds on passes" }), marks);
  const said = judged(el, marks);
  const commit = () => said.hear(set(of === 1 ? null : { on: [...on].sort((a, b) => a - b), of }));
  const size = (to) => {
    if (to < 1 || to > 16) return;
    if (of === 1) on = [1];
    of = to;
    on = on.filter((n) => n <= of);
    if (!on.length) on = [1];
    show();
    commit();
  };
  const flip = (n) => {
    const next = on.includes(n) ? on.filter((m) => m !== n) : [...on, n];
    if (!next.length) { said.show(["It sounds on one pass at least: mute the lane instead."]); return; }
    on = next;
    show();
    commit();
  };
  const less = tool("−", () => size(of - 1), { "aria-label": "A round of one pass less" });
  const more = tool("+", () => size(of + 1), { "aria-label": "A round of one pass more" });
  const count = h("span", { class: "of" });
  function show() {
    const focused = document.activeElement?.getAttribute("data-pass");
    const items = of === 1 ? [] : Array.from({ length: of }, (_, i) => tool(String(i + 1), () => flip(i + 1), { class: "k tool pass", "aria-pressed": String(on.includes(i + 1)), "aria-label": `pass ${i + 1} of ${of}`, "data-pass": i + 1 }));
    text(count, of === 1 ? "every pass" : `of ${of}`);
    marks.replaceChildren(...items, less, count, more);
    if (focused) /** @type {HTMLElement|null} */ (marks.querySelector(`[data-pass="${focused}"]`))?.focus();
  }
  show();
  return {
    el,
    update(value) {
      if (said.kept) return;
      on = [...(value?.on ?? [1])];
      of = value?.of ?? 1;
      show();
    },
  };
}
