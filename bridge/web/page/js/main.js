/** Puts the page together. */

import { h, say, text } from "./dom.js";
import { buildAsk } from "./ask.js";
import { MOST_BARS } from "./chart.js";
import { tellMovers } from "./movers.js";
import { Ink } from "./ink.js";
import { Link } from "./link.js";
import { Pen } from "./pen.js";
import { meter } from "./meter.js";
import { PlayView } from "./play.js";
import { releaseAll } from "./press.js";
import { buildPlace, buildRail } from "./rail.js";
import { buildSigns } from "./signs.js";
import { WakeLock, firstTheme, screenButtons, setTheme, shortcuts } from "./stage.js";
import { Store } from "./store.js";

let asked = 0; // bars of chart that the service was asked for
const LEAST_AHEAD = 3840; // ticks: the coming bar is told in words on every screen
const $ = (id) => /** @type {HTMLElement} */ (document.getElementById(id));
setTheme(firstTheme());

/** How the other views and the panels look is loaded with the first of them. @type {Promise<any>|null} */
let styled = null;
const style = () => styled ??= new Promise((done) => {
  const sheet = h("link", { rel: "stylesheet", href: "views.css" });
  sheet.onload = sheet.onerror = done;
  document.head.append(sheet);
});
const store = new Store();
const link = new Link(store);
const pen = new Pen();
const ink = new Ink();
const lock = new WakeLock();
const app = { store, link, pen, ink, lock, style, cables: {}, advances: {}, openPanel, themed: () => { app.play.theme(); for (const view of ready.values()) view?.themed?.(); }, play: /** @type {any} */ (null), listener: /** @type {any} */ (null) };
app.play = new PlayView($("view-play"), app);
buildRail($("rail"), link, store, openPanel);
const placeFrame = buildPlace($("place"), store, pen);
buildSigns($("signs"), link, store, lock, openPanel);
$("tools").append(...screenButtons(app));
shortcuts(app);
tellMovers(store);
buildAsk($("ask"), app);

// --- views ---
const VIEWS = ["play", "set", "rig", "files"];
const loaded = new Map();
const ready = new Map();
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
/** Had the focus when the link went: what is inert loses it. @type {Element|null} */
let focused = null;
function showCondition() {
  document.body.dataset.link = link.condition;
  for (const id of ["top", "main", "rail", "panel"]) $(id).inert = !link.live;
  if (!link.live) { releaseAll(); pen.forget(); asked = 0; focused ??= document.activeElement; }
  else if (document.activeElement === document.body) /** @type {HTMLElement|null} */ (focused)?.focus({ preventScroll: true });
  if (link.live) focused = null;
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
  const elsewhere = pen.fix(transport.tick, transport.at_ms, transport.tempo, running);
  if (elsewhere) { ink.clear(); asked = 0; }
  app.play.banks.drawing.moved(elsewhere);
  wake();
}
store.on(null, (state, keys) => { if (!keys || keys.has("transport")) fix(state.transport); });
store.on(["lanes"], ({ lanes }) => ink.hear(pen.at(performance.now()), lanes));
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
  const chart = /** @type {CustomEvent} */ (event).detail, tick = pen.at(performance.now()), names = Object.keys(store.state.lanes);
  ink.add(chart, tick, names);
  app.play.banks.drawing.charted(chart, tick, names);
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

/** @param {string} which @param {HTMLElement} from */
async function openPanel(which, from) { (await import("./panel.js")).openPanel(app, which, from); }

// --- no zoom, no menu, no pull on controls ---
document.addEventListener("gesturestart", (event) => event.preventDefault());
document.addEventListener("dblclick", (event) => { if (!/** @type {Element} */ (event.target).closest("input, textarea")) event.preventDefault(); });
document.addEventListener("contextmenu", (event) => { if (!/** @type {Element} */ (event.target).closest("input, textarea, select")) event.preventDefault(); });

// --- every frame ---
const LOOK_MS = 250; // at least so often, whatever the music does
const NEAR_MS = 2;
Object.assign(window, { lanebridge: { app, get cost() { return app.play.banks.drawing.cost; } } });
let next = 0, later = 0;
/** Where nothing is drawn on this thread every frame, it rests until the beat that is shown next. */
function again(now) {
  if (app.play.drawsHere || $("view-play").hidden) { next = requestAnimationFrame(frame); return; }
  const { beat } = meter(store.state), tick = pen.at(now);
  const wait = pen.running ? ((Math.floor(tick / beat) + 1) * beat - tick) / pen.perMs : LOOK_MS;
  later = window.setTimeout(wake, Math.min(LOOK_MS, Math.max(NEAR_MS, wait)));
}
/** Look at once, unless a frame is coming anyway. */
function wake() {
  if (next) return;
  clearTimeout(later);
  frame(performance.now());
}
function frame(now) {
  next = 0;
  if (document.hidden) return;
  placeFrame(now);
  ink.settle(pen.at(now));
  if (!$("view-play").hidden) app.play.frame(now);
  else for (const [name, view] of ready) if (!$(`view-${name}`).hidden) view?.frame?.(now);
  feed();
  again(now);
}
document.addEventListener("visibilitychange", wake);
addEventListener("hashchange", wake);
link.addEventListener("condition", wake);
showView();
link.open();
wake();
