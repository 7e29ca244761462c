/** A drawn timeline: a button that shows it, and the picture, which opens in a page of its own. */

import { h, tool } from "./dom.js";

/** It takes a moment to draw, and seconds for an hour: only when it is asked for.
 * @param {string} called what it is of, in words @param {() => string} href where the picture is, as things are now
 * @returns {{button: HTMLElement, figure: HTMLElement, update: () => void}} `update` draws anew when it is shown and stands elsewhere now */
export function timeline(called, href) {
  const image = /** @type {HTMLImageElement} */ (h("img", { alt: `Timeline of ${called}: lanes over bars, mutes, macros and sections`, loading: "lazy" }));
  const wrong = h("p", { class: "problem", role: "alert", hidden: true });
  const link = /** @type {HTMLAnchorElement} */ (h("a", { class: "timeline", target: "_blank", rel: "noopener", "aria-label": `Timeline of ${called}, in a page of its own` }, image));
  const figure = h("div", { hidden: true }, wrong, link);
  const update = () => {
    const at = href();
    if (figure.hidden || link.getAttribute("href") === at) return;
    wrong.hidden = true; link.hidden = false;
    link.href = at; image.src = at;
  };
  // The picture cannot say why it was not made; the same request does.
  image.addEventListener("error", async () => {
    const answer = await fetch(link.href).then((got) => got.json()).catch(() => ({}));
    wrong.textContent = answer.detail ?? "The timeline cannot be drawn now; try again.";
    wrong.hidden = false; link.hidden = true;
    link.removeAttribute("href");
  });
  const button = tool("Timeline", () => {
    figure.hidden = !figure.hidden;
    button.setAttribute("aria-expanded", String(!figure.hidden));
    update();
  }, { "aria-expanded": false, "aria-label": `Timeline: ${called}` });
  return { button, figure, update };
}
