/** Puts the page together. */

import { button, h, icon, keep, say, text, tool } from "./dom.js";
import { buildAsk } from "./ask.js";
import { MOST_BARS } from "./chart.js";
import { tellMovers } from "./movers.js";
import { Ink } from "./ink.js";
import { Link } from "./link.js";
import { Pen } from "./pen.js";
import { PlayView, meter } from "./play.js";
import { releaseAll } from "./press.js";
import { buildPlace, buildRail } from "./rail.js";
import { buildSigns } from "./signs.js";
import { WakeLock, firstTheme, keysSwitch, screenButtons, setTheme, shortcuts } from "./stage.js";
import { Store } from "./store.js";

let asked = 0; // bars of chart that the service was asked for
const LEAST_AHEAD = 3840; // ticks: the coming bar is told in words on every screen
const $ = (id) => /** @type {HTMLElement} */ (document.getElementById(id));
setTheme(firstTheme());

const store = new Store();
const link = new Link(store);
const pen = new Pen();
const ink = new Ink();
const app = { store, link, pen, ink, cables: {}, advances: {}, openPanel, themed: () => { app.play.theme(); for (const view of ready.values()) view?.themed?.(); }, play: /** @type {any} */ (null), listener: /** @type {any} */ (null) };
app.play = new PlayView($("view-play"), app);
const wake = new WakeLock();
buildRail($("rail"), link, store, openPanel);
const placeFrame = buildPlace($("place"), store, pen);
buildSigns($("signs"), link, store, wake, openPanel);
$("tools").append(...screenButtons(app));
shortcuts(app);
tellMovers(store);
buildAsk($("ask"), app);

// --- views ---
const VIEWS = ["play", "set", "rig", "files"];
const loaded = new Map();
const ready = new Map();
/** How the other views and the panels look is loaded with the first of them. @type {Promise<any>|null} */
let styled = null;
const style = () => styled ??= new Promise((done) => {
  const sheet = h("link", { rel: "stylesheet", href: "views.css" });
  sheet.onload = sheet.onerror = done;
  document.head.append(sheet);
});
async function showView() {
  const name = VIEWS.includes(location.hash.slice(1)) ? location.hash.slice(1) : "play";
  releaseAll();
  for (const view of VIEWS) {
    if (view !== name) ready.get(view)?.hidden?.();
    $(`view-${view}`).hidden = view !== name;
  }
  for (const a of $("views").querySelectorAll("a")) {
    if (a.hash === `#${name}`) a.setAttribute("aria-current", "page");
    else a.removeAttribute("aria-current");
  }
  if (name === "play") { app.play.layout(); return; }
  if (!loaded.has(name)) loaded.set(name, import(`./${name}.js`).then((module) => module.build($(`view-${name}`), app)));
  const [view] = await Promise.all([loaded.get(name), style()]);
  ready.set(name, view);
  view?.shown?.();
}
addEventListener("hashchange", showView);
matchMedia("(forced-colors: active)").addEventListener("change", app.themed);
$("main").addEventListener("refused", (event) => say(/** @type {CustomEvent} */ (event).detail?.detail ?? "Refused."));

// --- link ---
function showCondition() {
  document.body.dataset.link = link.condition;
  for (const id of ["top", "main", "rail", "panel"]) $(id).inert = !link.live;
  if (!link.live) { releaseAll(); pen.forget(); asked = 0; }
  text(/** @type {HTMLElement} */ ($("veil").firstChild), link.condition === "lost" ? "Connection lost. The music goes on; reconnecting." : "Connecting.");
}
link.addEventListener("condition", showCondition);
showCondition();
link.addEventListener("unsent", () => say("The link is silent: that was not sent."));
document.addEventListener("visibilitychange", () => { if (document.hidden) releaseAll(); });
addEventListener("pagehide", releaseAll);
addEventListener("blur", releaseAll);

function fix(transport) {
  if (typeof transport.tick !== "number") return;
  const running = transport.state === "running" || transport.state === "lost";
  if (pen.fix(transport.tick, transport.at_ms, transport.tempo, running)) { ink.clear(); asked = 0; }
}
store.on(null, (state, keys) => { if (!keys || keys.has("transport")) fix(state.transport); });
store.on(["set"], ({ set }) => { text($("set-name"), set); document.title = `${set} · Lanebridge`; });
/** What the set's text says beyond the state: its running order, and which lanes move which. */
async function learn() {
  try {
    const answer = await fetch(new URL("api/set/plain", document.baseURI));
    if (!answer.ok) return;
    const { data } = await answer.json();
    app.advances = Object.fromEntries(Object.entries(data.lanes ?? {}).map(([name, lane]) => [name, lane.advance]));
    app.play.learn(data);
  } catch { /* the next revision tells it */ }
}
store.on(["revision"], learn);
link.addEventListener("tick", (event) => {
  const { tick, at_ms, tempo, running } = /** @type {CustomEvent} */ (event).detail;
  fix({ ...store.state.transport, tick, at_ms, tempo, ...(running === undefined ? {} : { state: running ? "running" : "stopped" }) });
});
link.addEventListener("chart", (event) => {
  ink.add(/** @type {CustomEvent} */ (event).detail, pen.at(performance.now()), Object.keys(store.state.lanes));
  queueDescribe();
});
let describing = 0;
function queueDescribe() {
  if (describing) return;
  describing = window.setTimeout(() => { describing = 0; app.play.describe(); }, 600);
}

/** Say how many bars this screen shows; the service then sends them anew whenever they change. */
function feed() {
  const { bar } = meter(store.state);
  const ahead = Math.max(LEAST_AHEAD, app.play.ahead(), ...[...ready.values()].map((view) => view?.ahead?.() ?? 0));
  // One bar more: the next chart comes some time after the bar has begun, on a busy machine late.
  const bars = Math.min(MOST_BARS, Math.ceil(ahead / bar) + 2);
  if (link.live && bars !== asked) {
    asked = bars;
    link.send({ do: "chart", bars });
  }
}

// --- panel ---
let opener = /** @type {HTMLElement|null} */ (null);
/** What each panel is called and holds. @type {Record<string, [string, () => (Node|null)[]|Promise<(Node|null)[]>]>} */
const PANELS = {
  clock: ["Clock", async () => (await import("./figures.js")).clockPanel(store.state, link)],
  health: ["How it runs", howItRuns],
  listen: ["Listen", async () => {
    const { Listener } = await import("./listen.js");
    return (app.listener ??= new Listener(app)).panel();
  }],
  tempo: ["Tempo", async () => (await import("./tempo.js")).tempoPanel(app)],
};
async function openPanel(which, from) {
  const panel = $("panel");
  if (!panel.hidden && panel.dataset.which === which) return closePanel();
  const [title, make] = PANELS[which];
  const [body] = await Promise.all([make(), style()]);
  opener = from;
  panel.dataset.which = which;
  panel.setAttribute("aria-label", title);
  const close = tool([icon("close")], closePanel, { "aria-label": "Close", class: "k tool plain" });
  panel.replaceChildren(h("div", { class: "panel-top" }, h("h2", { text: title }), close), ...body.filter((one) => one !== null));
  panel.hidden = false;
  close.focus({ preventScroll: true });
}
async function howItRuns() {
  const { healthPanel } = await import("./figures.js");
  return [
    ...healthPanel(store.state, link),
    h("h3", { text: "This screen" }),
    h("p", { text: `Wake lock: ${wake.words}.` }),
    wake.worth ? button("I have switched auto-lock off", () => { keep.set("sleep", "known"); closePanel(); }) : null,
    h("div", {}, ...screenButtons(app, true)),
    h("h3", { text: "Keys" }),
    h("p", { text: "1 to 9 and 0: the first ten lanes. T: tap. Space: start or stop. Arrow keys on a macro or the tempo; with Shift, finer." }),
    keysSwitch(),
  ];
}
function closePanel() {
  $("panel").hidden = true;
  opener?.focus({ preventScroll: true });
}
document.addEventListener("keydown", (event) => { if (event.key === "Escape" && !$("panel").hidden) closePanel(); });

// --- no zoom, no menu, no pull on controls ---
document.addEventListener("gesturestart", (event) => event.preventDefault());
document.addEventListener("dblclick", (event) => { if (!/** @type {Element} */ (event.target).closest("input, textarea")) event.preventDefault(); });
document.addEventListener("contextmenu", (event) => { if (!/** @type {Element} */ (event.target).closest("input, textarea, select")) event.preventDefault(); });

// --- every frame ---
/** Cost of drawing, kept for the curious: mean of the last frames in ms. */
const cost = { mean: 0 };
Object.assign(window, { lanebridge: { app, cost } });
function frame(now) {
  requestAnimationFrame(frame);
  if (document.hidden) return;
  placeFrame(now);
  if (!$("view-play").hidden) {
    const begin = performance.now();
    app.play.frame(now);
    cost.mean += (performance.now() - begin - cost.mean) * 0.05;
  }
  else for (const [name, view] of ready) if (!$(`view-${name}`).hidden) view?.frame?.(now);
  feed();
}
requestAnimationFrame(frame);
showView();
link.open();
