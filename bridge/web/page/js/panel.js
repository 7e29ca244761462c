/** The panel at the side: figures of the clock and of the links, listening, the tempo. */

import { attr, button, h, icon, keep, tool } from "./dom.js";
import { screenButtons } from "./stage.js";

const panel = /** @type {HTMLElement} */ (document.getElementById("panel"));
let opener = /** @type {HTMLElement|null} */ (null);

/** What each panel is called and holds. @type {Record<string, [string, (app: any) => (Node|null)[]|Promise<(Node|null)[]>]>} */
const PANELS = {
  clock: ["Clock", async ({ store, link }) => (await import("./figures.js")).clockPanel(store.state, link)],
  health: ["How it runs", howItRuns],
  listen: ["Listen", async (app) => {
    const { Listener } = await import("./listen.js");
    return (app.listener ??= new Listener(app)).panel();
  }],
  tempo: ["Tempo", async (app) => (await import("./tempo.js")).tempoPanel(app)],
};

/** Open one of them, or close it when it is open. @param {any} app @param {string} which @param {HTMLElement} from has the focus again afterwards */
export async function openPanel(app, which, from) {
  if (!panel.hidden && panel.dataset.which === which) return closePanel();
  const [title, make] = PANELS[which];
  const [body] = await Promise.all([make(app), app.style()]);
  opener = from;
  panel.dataset.which = which;
  panel.setAttribute("aria-label", title);
  const close = tool([icon("close")], closePanel, { "aria-label": "Close", class: "k tool plain" });
  panel.replaceChildren(h("div", { class: "panel-top" }, h("h2", { text: title }), close), ...body.filter((one) => one !== null));
  panel.hidden = false;
  close.focus({ preventScroll: true });
}

/** Of the wake lock. @type {Record<string, string>} */
const LOCK = {
  unasked: "not asked for yet",
  unknown: "this browser cannot keep the screen awake: switch auto-lock off in its settings",
  plain: "not possible over plain http: switch auto-lock off in the settings of this tablet",
  awake: "the screen stays awake",
  hidden: "let go while the page was hidden",
  refused: "refused, perhaps to save the battery: switch auto-lock off in the settings",
};

async function howItRuns(app) {
  const { healthPanel } = await import("./figures.js");
  const { lock } = app;
  return [
    ...healthPanel(app.store.state, app.link),
    h("h3", { text: "This screen" }),
    h("p", { text: `Wake lock: ${LOCK[lock.is]}.` }),
    lock.worth ? button("I have switched auto-lock off", () => { keep.set("sleep", "known"); closePanel(); }) : null,
    h("div", {}, ...screenButtons(app, true)),
    h("h3", { text: "Keys" }),
    h("p", { text: "1 to 9 and 0: the first ten lanes. T: tap. Space: start or stop. Arrow keys on a macro or the tempo; with Shift, finer." }),
    keysSwitch(),
  ];
}

function keysSwitch() {
  const el = button("Single keys", () => {
    const off = keep.get("keys") !== "off";
    keep.set("keys", off ? "off" : "on");
    attr(el, "aria-pressed", !off);
  }, { "aria-pressed": String(keep.get("keys") !== "off") });
  return el;
}

function closePanel() {
  panel.hidden = true;
  opener?.focus({ preventScroll: true });
}
document.addEventListener("keydown", (event) => { if (event.key === "Escape" && !panel.hidden) closePanel(); });
