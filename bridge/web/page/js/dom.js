/** Small helpers to build and press things. No style or script is ever put into markup. */

import { press } from "./press.js";

const SVG = "http://www.w3.org/2000/svg";

/**
 * Build an element. Keys of `attrs`: `class`, `text`, `on` (event name to handler), any property
 * that starts with a dot, anything else is an attribute (false and null leave it out).
 * @param {string} tag
 * @param {Record<string, any>} [attrs]
 * @param {...(Node|string|null|undefined)} kids
 * @returns {HTMLElement}
 */
export function h(tag, attrs = {}, ...kids) {
  const el = document.createElement(tag);
  for (const [key, value] of Object.entries(attrs)) {
    if (value === null || value === undefined || value === false) continue;
    if (key === "class") el.className = value;
    else if (key === "text") el.textContent = value;
    else if (key === "on") for (const [name, fn] of Object.entries(value)) el.addEventListener(name, /** @type {any} */ (fn));
    else if (key.startsWith(".")) /** @type {any} */ (el)[key.slice(1)] = value;
    else el.setAttribute(key, value === true ? "" : String(value));
  }
  el.append(...kids.filter((kid) => kid !== null && kid !== undefined));
  return el;
}

/** @param {string} name a symbol of signs.svg */
export function icon(name) {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("aria-hidden", "true");
  const use = document.createElementNS(SVG, "use");
  use.setAttribute("href", `signs.svg#${name}`);
  svg.append(use);
  return svg;
}

/** Set an attribute only when it changes: every needless write costs layout on a slow tablet. */
export function attr(el, name, value) {
  if (value === false && name.startsWith("aria-")) value = "false";
  if (value === null || value === false || value === undefined) {
    if (el.hasAttribute(name)) el.removeAttribute(name);
  } else if (el.getAttribute(name) !== String(value)) el.setAttribute(name, String(value));
}

/** Set text only when it changes. */
export function text(el, value) {
  if (el.textContent !== value) el.textContent = value;
}

/** Set text of several lines only when it changes. @param {HTMLElement} el @param {string[]} lines */
export function textLines(el, lines) {
  if (el.textContent !== lines.join("")) el.replaceChildren(...lines.flatMap((line, i) => (i ? [h("br"), line] : [line])));
}

/** Put elements into another one, in this order. Those that stand there already are not touched: what
 * is taken out and put back loses the focus. @param {Element} el @param {Element[]} kids */
export function arrange(el, kids) {
  if (kids.length !== el.children.length || kids.some((kid, i) => kid !== el.children[i])) el.replaceChildren(...kids);
}

/** Move elements; the one that has the focus keeps it, or its next key would go nowhere. @param {() => void} act */
export function keepFocus(act) {
  const had = /** @type {HTMLElement|null} */ (document.activeElement);
  act();
  if (had?.isConnected && had !== document.activeElement) had.focus({ preventScroll: true });
}

/** A button of the house. @returns {HTMLButtonElement} */
export function button(label, down, attrs = {}, up = undefined) {
  const el = /** @type {HTMLButtonElement} */ (h("button", { type: "button", class: "k", ...attrs }, ...(Array.isArray(label) ? label : [label])));
  press(el, down, up);
  return el;
}

/**
 * A button among things that scroll: it acts once the finger has come and gone without drawing, so
 * that a page pushed up by its buttons does nothing else. What is played acts on touch-down instead.
 * @param {string|(Node|string)[]} label
 * @param {(event: Event) => any} act
 * @param {Record<string, any>} [attrs]
 * @returns {HTMLButtonElement}
 */
export function tool(label, act, attrs = {}) {
  const el = /** @type {HTMLButtonElement} */ (h("button", { type: "button", class: "k tool", ...attrs }, ...(Array.isArray(label) ? label : [label])));
  el.addEventListener("click", (event) => { if (el.getAttribute("aria-disabled") !== "true") act(event); });
  return el;
}

/** A row of choices of which one is taken, moved through by arrow keys like any radio group.
 * @param {string} caption
 * @param {[string, string, string?, string?][]} options value, label, spoken label, what the line above says while it is taken
 * @param {(value: string) => void} take */
export function choice(caption, options, take) {
  const told = h("span", { class: "cap", "aria-hidden": "true" });
  const el = h("div", { class: "choice", role: "radiogroup", "aria-label": caption }, told);
  const items = options.map(([value, label, spoken]) => {
    const item = h("button", { type: "button", class: "k", role: "radio", text: label, "aria-label": spoken ?? null, "aria-checked": "false", tabindex: "-1" });
    press(item, () => { set(value); take(value); });
    return item;
  });
  const set = (value) => items.forEach((item, i) => {
    const on = options[i][0] === value;
    attr(item, "aria-checked", on);
    item.tabIndex = on ? 0 : -1;
    if (on) text(told, options[i][3] ?? caption);
  });
  el.append(...items);
  el.addEventListener("keydown", (event) => {
    const move = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
    if (!move) return;
    event.preventDefault();
    event.stopPropagation();
    const at = items.indexOf(/** @type {any} */ (document.activeElement));
    const next = (at + move + items.length) % items.length;
    items[next].focus();
    set(options[next][0]);
    take(options[next][0]);
  });
  set(options[0][0]);
  return { el, set };
}

/** Say something in the quiet line at the foot; it goes after some seconds. */
export function say(message) {
  const el = document.getElementById("say");
  if (!el) return;
  el.textContent = message;
  clearTimeout(/** @type {any} */ (say).timer);
  /** @type {any} */ (say).timer = setTimeout(() => { el.textContent = ""; }, 4000 + 40 * message.length);
}

/** Read and keep small choices of this screen; private windows may refuse. */
export const keep = {
  get(key) { try { return localStorage.getItem(`lanebridge.${key}`); } catch { return null; } },
  set(key, value) { try { localStorage.setItem(`lanebridge.${key}`, value); } catch { /* not kept */ } },
};
