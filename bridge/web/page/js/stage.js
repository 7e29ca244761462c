/** This screen: theme, full screen, wake lock, keys. */

import { button, h, icon, keep, say } from "./dom.js";
import { keyName, whenGone } from "./press.js";

export function setTheme(name, changed) {
  document.documentElement.dataset.theme = name;
  keep.set("theme", name);
  document.querySelector("meta[name=theme-color]")?.setAttribute("content", name === "night" ? "#0b1519" : "#f5f2e9");
  changed?.();
}

/** The kept theme, else what the system asks for. `?theme=` in the address wins. */
export function firstTheme() {
  const asked = new URLSearchParams(location.search).get("theme") ?? keep.get("theme");
  if (asked === "day" || asked === "night") return asked;
  return matchMedia("(prefers-color-scheme: light)").matches ? "day" : "night";
}

export const otherTheme = () => (document.documentElement.dataset.theme === "night" ? "day" : "night");

export async function toggleFull() {
  try {
    if (document.fullscreenElement) await document.exitFullscreen();
    else await document.documentElement.requestFullscreen({ navigationUI: "hide" });
  } catch { say("This browser has no full screen for pages. Add the page to the home screen instead."); }
}

/** Keeps the screen awake where the browser allows it, and knows to say where it does not. */
export class WakeLock {
  constructor() {
    /** Why the screen stays awake or may not; the panel has the words. */
    this.is = "unasked";
    this.lock = null;
    /** Why the screen may go dark, once that is known. */
    this.sleepy = false;
    document.addEventListener("visibilitychange", () => { if (!document.hidden) this.ask(); });
    document.addEventListener("pointerdown", () => { if (!this.lock) this.ask(); });
  }

  /** Whether to say so: on a screen of one's own hand, until the person has said that it is known. */
  get worth() { return this.sleepy && keep.get("sleep") !== "known" && matchMedia("(pointer: coarse)").matches; }

  async ask() {
    this.sleepy = true;
    if (!("wakeLock" in navigator)) {
      this.is = window.isSecureContext ? "unknown" : "plain";
      return;
    }
    try {
      this.lock = await navigator.wakeLock.request("screen");
      this.is = "awake";
      this.sleepy = false;
      this.lock.addEventListener("release", () => { this.lock = null; this.is = "hidden"; });
    } catch { this.is = "refused"; }
  }
}

/** Buttons of the header; on small screens the same ones stand in the panel. */
export function screenButtons(app, compact = false) {
  const label = (name, words) => (compact || name === "ear" ? [icon(name), words] : [icon(name)]);
  const attrs = (words) => ({ class: compact ? "k" : "k plain", "aria-label": compact ? null : words, title: compact ? null : words });
  const theme = button(label("theme", "Day or night"), () => setTheme(otherTheme(), app.themed), attrs("Day or night"));
  const full = button(label("full", "Full screen"), () => {}, attrs("Full screen"));
  full.addEventListener("click", () => toggleFull()); // allowed only inside a click
  const ear = h("button", { type: "button", ...attrs("Listen") }, ...label("ear", "Listen"));
  ear.addEventListener("click", () => app.openPanel("listen", ear));
  return [ear, theme, full];
}

/** Single keys for the play view; can be switched off, as speech input may type. */
export function shortcuts(app) {
  document.addEventListener("keydown", (event) => {
    if (keep.get("keys") === "off" || event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
    const target = /** @type {HTMLElement} */ (event.target);
    if (target.closest("input, select, textarea, [role=slider], [role=spinbutton], #panel") || location.hash.slice(1) && location.hash !== "#play") return;
    if (!app.link.live) return;
    const digit = "1234567890".indexOf(event.key);
    if (digit >= 0) {
      const head = app.play.heads.get([...app.play.heads.keys()][digit]);
      if (head) {
        whenGone(keyName(event), () => head.up());
        head.down();
      }
    }
    else if (event.key === "t") app.link.send({ do: "tap" });
    else if (event.key === " " && !target.closest("button, a")) app.link.send({ do: app.store.state.transport.state === "running" ? "stop" : "start" });
    else return;
    event.preventDefault();
  });
}
