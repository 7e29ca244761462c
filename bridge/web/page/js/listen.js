/**
 * Listen without hardware: what the player sends to the simulated rig, through a few plain
 * synthesised voices. Starts quietly; the person turns it up.
 */

import { button, h } from "./dom.js";
import { hasNotes } from "./ink.js";

const FADE_S = 0.15;
const AHEAD_MS = 110; // hits are told as they are sent; this much later all of them can be placed exactly

/** Which voice fits a lane, by what the cable or the lane is called. */
export function voiceFor(words) {
  const has = (...list) => list.some((word) => words.includes(word));
  if (has("kick", "thud", "drum low")) return "thud";
  if (has("rim", "snare", "clap", "click", "knock")) return "knock";
  if (has("shaker", "hat", "spray", "hiss", "sand", "brush")) return "hiss";
  if (has("bell", "chime", "ping", "buoy", "glass")) return "bell";
  if (has("bass", "low")) return "bass";
  return "pluck";
}

/** When (performance.now() time) a tick is reached. @param {import("./pen.js").Pen} pen @param {number} tick */
const timeOf = (pen, tick) => pen.local + (tick - pen.tick) / (pen.perMs || 1);

export class Listener {
  /** @param {any} app */
  constructor(app) {
    this.app = app;
    /** @type {AudioContext|null} */
    this.audio = null;
    this.volume = 0.25;
    app.link.addEventListener("played", (event) => this.played(event.detail));
  }

  get on() { return this.audio !== null && this.audio.state === "running"; }

  async start() {
    if (!this.audio) {
      const audio = new AudioContext({ latencyHint: "interactive" });
      this.master = audio.createGain();
      this.master.gain.value = 0;
      const guard = audio.createDynamicsCompressor();
      guard.threshold.value = -14;
      guard.ratio.value = 12;
      this.master.connect(guard).connect(audio.destination);
      const noise = audio.createBuffer(1, audio.sampleRate, audio.sampleRate);
      const data = noise.getChannelData(0);
      for (let i = 0, seed = 1; i < data.length; i++) { seed = (seed * 16807) % 2147483647; data[i] = seed / 1073741824 - 1; }
      this.noise = noise;
      this.audio = audio;
    }
    await this.audio.resume();
    await this.learn();
    this.turn(this.volume, 2.5);
  }

  /** What hangs on the outputs: voices are chosen by it. */
  async learn() {
    const { api } = await import("./fields.js");
    try {
      const rig = await api("GET", "rig");
      this.app.cables = Object.fromEntries(rig.outputs.map((o) => [o.output, o.cable]));
    } catch { /* names alone will do */ }
  }

  /** Fades out first: sound that is cut off clicks. */
  async stop() {
    if (!this.audio || !this.master) return;
    this.fade(0, FADE_S);
    await new Promise((done) => { setTimeout(done, 1000 * FADE_S + 40); });
    await this.audio.suspend();
  }

  turn(volume, seconds = 0.1) {
    this.volume = volume;
    this.fade(volume * volume, seconds);
  }

  /** From where it is to a gain, without a step that would click. */
  fade(to, seconds) {
    if (!this.audio || !this.master) return;
    const gain = this.master.gain, now = this.audio.currentTime;
    gain.cancelScheduledValues(now);
    gain.setValueAtTime(gain.value, now);
    gain.linearRampToValueAtTime(to, now + seconds);
  }

  played({ hits }) {
    if (!this.on || !this.audio) return;
    const { pen, store } = this.app;
    for (const [lane, tick, level] of hits) {
      const late = Math.max(0, (timeOf(pen, tick) + AHEAD_MS - performance.now()) / 1000);
      if (late > 1) continue;
      const when = this.audio.currentTime + late;
      const out = store.state.lanes[lane]?.out;
      const cable = (out && this.app.cables?.[out]) || "";
      this.voice(voiceFor(`${lane} ${cable}`), when, level ?? 0.8, lane, tick);
    }
  }

  /** Loudness that a macro named after the lane gives it: "shaker-level" tames "shaker". */
  trim(lane) { return this.app.store.state.macros[`${lane}-level`]?.value ?? 1; }

  /** Note of the pitch lane that goes with a lane: one that its hits move, or one named after it. */
  note(lane, tick, fallback) {
    const { store, ink, advances } = this.app;
    const name = Object.keys(store.state.lanes).find((other) => hasNotes(store.state.lanes[other]) && (advances?.[other] === lane || other.startsWith(lane)));
    return (name && ink.valueAt(name, tick)) ?? fallback;
  }

  /** How open the filter is: the mean of the level lanes and of a macro called brightness. */
  open(tick) {
    const { store, ink } = this.app;
    const values = [];
    for (const [name, lane] of Object.entries(store.state.lanes)) {
      const trace = ink.traces.get(name), v = ink.valueAt(name, tick);
      if (trace && v !== null && !hasNotes(lane) && !lane.muted && trace.high > trace.low) values.push((v - trace.low) / (trace.high - trace.low));
    }
    const mean = values.length ? values.reduce((a, b) => a + b, 0) / values.length : 0.5;
    return Math.min(1, Math.max(0, 0.6 * mean + 0.6 * (store.state.macros.brightness?.value ?? 0.3)));
  }

  voice(kind, when, level, lane, tick) {
    const audio = /** @type {AudioContext} */ (this.audio);
    const amp = audio.createGain();
    amp.connect(/** @type {GainNode} */ (this.master));
    const decay = (peak, seconds) => {
      amp.gain.setValueAtTime(0.0001, when);
      amp.gain.exponentialRampToValueAtTime(Math.max(0.0002, peak * level * this.trim(lane)), when + 0.002);
      amp.gain.exponentialRampToValueAtTime(0.0001, when + seconds);
      return when + seconds;
    };
    const tone = (type, hz, until, into = amp) => {
      const osc = audio.createOscillator();
      osc.type = type;
      osc.frequency.setValueAtTime(hz, when);
      osc.connect(into);
      osc.start(when);
      osc.stop(until);
      return osc;
    };
    const filter = (type, hz, q) => {
      const node = audio.createBiquadFilter();
      node.type = type;
      node.frequency.setValueAtTime(hz, when);
      node.Q.value = q;
      node.connect(amp);
      return node;
    };
    const hz = (note) => 440 * 2 ** ((note - 69) / 12);
    const rush = (until, into) => {
      const source = audio.createBufferSource();
      source.buffer = /** @type {AudioBuffer} */ (this.noise);
      source.connect(into);
      source.start(when, (tick * 0.137) % 0.7);
      source.stop(until);
    };
    if (kind === "thud") {
      const end = decay(1, 0.34), osc = tone("sine", 150, end);
      osc.frequency.exponentialRampToValueAtTime(46, when + 0.09);
    } else if (kind === "knock") {
      const end = decay(0.5, 0.09);
      rush(end, filter("bandpass", 1900, 3));
      tone("triangle", 420, end);
    } else if (kind === "hiss") rush(decay(0.3, 0.06 + 0.08 * level), filter("highpass", 6200, 0.7));
    else if (kind === "bell") {
      const end = decay(0.22, 1.3), base = hz(this.note(lane, tick, 81));
      for (const ratio of [1, 2.76, 5.4]) tone("sine", base * ratio, end);
    } else {
      const low = kind === "bass";
      const end = decay(low ? 0.42 : 0.25, low ? 0.32 : 0.4);
      const shape = filter("lowpass", 180 + 3200 * this.open(tick) ** 1.5, 5);
      shape.frequency.exponentialRampToValueAtTime(140, end);
      tone(low ? "sawtooth" : "triangle", hz(this.note(lane, tick, low ? 33 : 57)), end, shape);
    }
  }

  /** The panel behind the listen button. */
  panel() {
    const go = button(this.on ? "Stop listening" : "Listen", () => {});
    go.addEventListener("click", async () => {
      if (this.on) await this.stop();
      else await this.start();
      go.textContent = this.on ? "Stop listening" : "Listen";
    });
    const level = /** @type {HTMLInputElement} */ (h("input", { type: "range", min: "0", max: "1", step: "0.01", ".value": String(this.volume), "aria-label": "Listening level" }));
    level.addEventListener("input", () => this.turn(Number(level.value)));
    return [
      h("p", { text: "Plays what is sent, through simple voices in this browser. It is a sketch of the rig, not its sound." }),
      h("p", {}, h("strong", { text: "Mind your hearing: " }), "turn headphones and monitors down first, start quietly, and take breaks. Long listening at high levels does lasting harm."),
      go,
      h("p", {}, h("label", {}, "Level ", level)),
    ];
  }
}
