/** Help where it is needed: `?` makes every touch explain instead of play; so do a long press, a
 * right click, and the key `?`. The words themselves are loaded when somebody asks. */

import { attr, button, keep, say } from "./dom.js";
import { touchMode } from "./heads.js";

const LONG_MS = 600; // a press this long asks
const STILL_PX = 10; // and has not moved by more
const CONTROLS = "button, a, summary, select, input, textarea, label, [role=slider], [role=spinbutton], .sheet, .strip-one";

const words = () => import("./help.js");
const first = () => import("./first.js");

/** What a touch would act on, unless it is what ends the asking itself. @param {EventTarget|null} target */
function control(target) {
  const el = /** @type {Element|null} */ (target instanceof Element ? target.closest(CONTROLS) : null);
  return el && !el.closest("#ask, .first") ? /** @type {HTMLElement} */ (el) : null;
}

/** @param {HTMLElement} el */
async function explain(el) { say((await words()).helpFor(el)); }

/** @param {HTMLElement} root where the button stands @param {any} app */
export function buildAsk(root, app) {
  const asking = () => document.body.dataset.asking === "yes";
  const turn = async (on) => {
    attr(document.body, "data-asking", on ? "yes" : null);
    attr(mark, "aria-pressed", on);
    if (on) say("Touch anything: it is explained, not played. Touch ? again to end.");
    const { showFirst, hideFirst } = await first();
    if (on && asking()) showFirst(app);
    else hideFirst();
  };
  const mark = button("?", () => turn(!asking()), { class: "k plain", "aria-label": "Explain what I touch", "aria-pressed": "false" });
  root.append(mark);
  addEventListener("hashchange", () => { if (asking()) turn(false); });

  // On the window and before anything else hears of it, so that nothing is played.
  for (const name of ["pointerdown", "mousedown", "click"]) addEventListener(name, (event) => {
    const el = asking() ? control(event.target) : null;
    if (!el || (el.closest("#views") && name !== "click")) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    if (name === "pointerdown" || (name === "click" && /** @type {MouseEvent} */ (event).detail === 0)) explain(el);
    if (name === "click" && el.closest("#views")) explain(el);
  }, true);
  addEventListener("keydown", (event) => {
    const el = control(document.activeElement);
    if (event.key === "Escape" && asking()) { turn(false); return; }
    const typing = el?.matches("input, textarea");
    if (el && ((event.key === "?" && !typing) || (asking() && (event.key === "Enter" || event.key === " ")))) {
      event.preventDefault();
      event.stopImmediatePropagation();
      explain(el);
    }
  }, true);
  listenLong();
  if (!keep.get("met")) first().then(({ showFirst }) => showFirst(app));
}

/** A long press explains too: what a touch does has been done by then, or waits for the finger to leave. */
function listenLong() {
  let timer = 0, x = 0, y = 0, told = false;
  const off = () => { clearTimeout(timer); timer = 0; };
  addEventListener("pointerdown", (event) => {
    off();
    told = false;
    const el = control(event.target);
    if (!el || el.matches("input, textarea, .repeats") || (el.matches(".head") && touchMode.value === "held")) return;
    [x, y] = [event.clientX, event.clientY];
    timer = window.setTimeout(() => { told = true; explain(el); }, LONG_MS);
  }, true);
  addEventListener("pointermove", (event) => { if (Math.hypot(event.clientX - x, event.clientY - y) > STILL_PX) off(); }, true);
  for (const name of ["pointerup", "pointercancel"]) addEventListener(name, off, true);
  addEventListener("click", (event) => { // it asked, and did not mean to act as well
    if (!told || !control(event.target)?.matches(".tool, .sign, a, .entry, summary")) return;
    told = false;
    event.preventDefault();
    event.stopImmediatePropagation();
  }, true);
  addEventListener("contextmenu", (event) => { const el = control(event.target); if (el && event.button === 2 && !el.matches("input, textarea")) explain(el); }, true);
}
