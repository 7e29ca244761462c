/** Views of several parts: their names on the left, one of them on the bench. */

import { h, text } from "./dom.js";

/**
 * `el` is shown when the part is chosen; `note` is the quiet word beside its name; `shown` and
 * `hidden` are called as it comes and goes, `frame` while it is there.
 * @typedef {{name: string, title: string, el: HTMLElement, note?: () => string, shown?: () => any, hidden?: () => void, frame?: (now: number) => void, themed?: () => void}} Part
 */

/** @param {HTMLElement} root @param {string} caption @param {Part[]} parts @param {...HTMLElement} above */
export function bench(root, caption, parts, ...above) {
  const list = h("ul", { class: "names", "aria-label": caption });
  // It scrolls, so it must be reachable by keys alone.
  const place = h("div", { class: "editor", tabindex: "0", role: "region", "aria-label": "On the bench" });
  let chosen = parts[0];
  root.append(h("div", { class: "bench" }, h("div", { class: "index" }, ...above, list), place));
  const entries = new Map(parts.map((part) => [part, h("button", { type: "button", class: "entry", "data-part": part.name, on: { click: () => choose(part) } }, h("span", { text: part.title }), h("small"))]));
  list.append(...[...entries.values()].map((el) => h("li", {}, el)));

  function notes() {
    for (const [part, el] of entries) {
      text(/** @type {HTMLElement} */ (el.lastChild), part.note?.() ?? "");
      if (part === chosen) el.setAttribute("aria-current", "true");
      else el.removeAttribute("aria-current");
    }
  }

  async function choose(part) {
    if (part !== chosen) chosen.hidden?.();
    chosen = part;
    place.replaceChildren(part.el);
    place.scrollTop = root.scrollTop = 0; // on small screens all of the view scrolls
    notes();
    await part.shown?.();
    notes();
  }
  return {
    notes,
    shown: () => choose(chosen),
    hidden() { chosen.hidden?.(); },
    frame(now) { chosen.frame?.(now); },
    themed() { chosen.themed?.(); },
  };
}
