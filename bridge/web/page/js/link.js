/**
 * The one connection to the service: full state first, then controls; grey when it goes quiet.
 * Commands carry absolute values. What cannot be sent now is refused and never sent later: a tap
 * on a dead page must not act on a live rig.
 *
 * After a gap it goes on from the last number that it has got, and is sent only what has changed. A
 * device that is not let in any more is shown the form that lets it in again.
 */

const QUIET_MS = 2000; // grey within 3 s of silence, checked four times a second
const PROBE_MS = 900; // any answer is a sign of life
const DOUBT_MS = 1300; // positions come four times a second: after this a command might arrive late
const FRESH_MS = 600;
const OPEN_MS = 2500; // an attempt that takes longer is given up
const ASK_MS = 3000; // between two questions whether this device is still let in

const NOT_ALLOWED = "This device is let in for less than that. One that may edit can allow it more: Rig, Devices.";

/** What a person reads of a problem (RFC 9457); decided by its kind, never by its English.
 * @param {any} problem */
export const readable = (problem) => (problem?.kind === "role" ? { ...problem, detail: NOT_ALLOWED } : problem);

export class Link extends EventTarget {
  /** @param {import("./store.js").Store} store */
  constructor(store) {
    super();
    this.store = store;
    /** @type {"opening"|"live"|"lost"} */
    this.condition = "opening";
    /** @type {WebSocket|null} */
    this.socket = null;
    this.heard = performance.now();
    this.opened = 0;
    this.probed = 0;
    this.seq = 0;
    /** Where this page can go on after a gap: a name, and the last number it has got. */
    this.got = { name: "", number: 0 };
    this.askedAt = -ASK_MS;
    /** @type {Map<number, {done: (result: any) => void, at: number, probe: boolean}>} */
    this.waiting = new Map();
    /** Round trips of the last probes, in ms. @type {number[]} */
    this.trips = [];
    this.timer = setInterval(() => this.watch(), 250);
    for (const name of ["online", "pageshow", "focus"]) window.addEventListener(name, () => this.wake());
    document.addEventListener("visibilitychange", () => { if (!document.hidden) this.wake(); });
  }

  get live() { return this.condition === "live"; }

  /** Open (again), at once. */
  open() {
    this.drop();
    const url = new URL("api/live", document.baseURI);
    url.protocol = url.protocol === "https:" ? "wss:" : "ws:";
    if (this.got.name) url.search = String(new URLSearchParams({ resume: this.got.name, number: String(this.got.number) }));
    const socket = new WebSocket(url);
    this.socket = socket;
    this.opened = performance.now();
    socket.onmessage = (event) => { if (this.socket === socket) this.receive(event.data); };
    socket.onclose = () => {
      if (this.socket !== socket) return;
      this.socket = null;
      if (!this.live) this.stillIn();
      this.lose();
    };
    socket.onerror = () => {};
  }

  /** Browsers do not tell why a socket was refused: a request does. */
  async stillIn() {
    const now = performance.now();
    if (now - this.askedAt < ASK_MS) return;
    this.askedAt = now;
    try {
      const answer = await fetch(new URL("api/state", document.baseURI), { method: "HEAD" });
      if (answer.status === 401) location.reload();
    } catch { /* nobody is there: it is tried again */ }
  }

  /** After sleep the old socket may be dead without knowing it: trust it only if it spoke just now. */
  wake() {
    const now = performance.now();
    if (this.live && now - this.heard < PROBE_MS + 600) return;
    // An attempt that has just begun is as good as a new one.
    if (this.socket?.readyState === WebSocket.CONNECTING && now - this.opened < FRESH_MS) return;
    this.lose();
    this.open();
  }

  watch() {
    const now = performance.now();
    if (this.live) {
      if (now - this.heard > QUIET_MS) { this.lose(); this.open(); }
      else if (now - this.probed > PROBE_MS) { this.probed = now; this.send({ do: "alive" }); }
    } else if (!this.socket || now - this.opened > OPEN_MS) {
      if (now - this.heard > QUIET_MS) this.lose();
      if (now - this.opened > 500) this.open();
    }
  }

  drop() {
    const old = this.socket;
    this.socket = null;
    if (old) { old.onmessage = old.onclose = null; old.close(); }
  }

  lose() {
    for (const { done } of this.waiting.values()) done({ ok: false, lost: true });
    this.waiting.clear();
    this.turn("lost");
  }

  turn(condition) {
    if (condition === this.condition) return;
    this.condition = condition;
    this.dispatchEvent(new Event("condition"));
  }

  receive(data) {
    const now = performance.now();
    this.heard = now;
    const message = JSON.parse(data);
    if (message.type === "state") {
      this.got = { name: message.resume, number: message.number };
      this.store.replace(message.state);
      this.turn("live");
    } else if (message.type === "resumed") {
      this.store.replace(this.store.state); // what was drawn from it was forgotten with the connection
      if (message.newest === message.number) this.turn("live"); // or what has changed in the gap comes first
    } else if (message.type === "change") {
      this.got.number = message.number;
      this.store.patch(message.patch);
      this.turn("live");
    } else if (message.type === "done" || message.type === "refused") {
      const entry = this.waiting.get(message.seq);
      this.waiting.delete(message.seq);
      if (entry) {
        if (entry.probe) {
          this.trips.push(now - entry.at);
          if (this.trips.length > 40) this.trips.shift();
        }
        entry.done(message.type === "done" ? { ok: true, ...message } : { ok: false, problem: readable(message.problem) });
      }
    }
    this.dispatchEvent(new CustomEvent(message.type, { detail: message }));
  }

  /**
   * Send one command now, or refuse it.
   * @param {import("./types.js").Command} command
   * @returns {Promise<{ok: boolean, lost?: boolean, problem?: any}>}
   */
  send(command) {
    const socket = this.socket;
    if (!this.live || !socket || socket.readyState !== WebSocket.OPEN) return Promise.resolve({ ok: false, lost: true });
    if (command.do !== "alive" && performance.now() - this.heard > DOUBT_MS) {
      this.dispatchEvent(new Event("unsent"));
      return Promise.resolve({ ok: false, lost: true });
    }
    const seq = ++this.seq;
    return new Promise((done) => {
      this.waiting.set(seq, { done, at: performance.now(), probe: command.do === "alive" });
      socket.send(JSON.stringify({ ...command, seq }));
    });
  }

  /** The round trip in ms that a share (0..1) of the recent ones stays within, or null before there
   * are a few. The sign uses 0.8: one hiccup is no reason to shout for half a minute. */
  trip(share) {
    if (this.trips.length < 4) return null;
    const sorted = [...this.trips].sort((a, b) => a - b);
    return sorted[Math.min(sorted.length - 1, Math.floor(sorted.length * share))];
  }
}
