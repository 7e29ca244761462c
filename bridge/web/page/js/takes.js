/** Takes: what was recorded, what to keep, and files made of it. */

import { h, say, text, tool } from "./dom.js";
import { api, attempt, labelled, picker } from "./fields.js";
import { words } from "./forms.js";
import { timeline } from "./timeline.js";

const AGAIN_MS = 4000; // how long a second touch means yes
const WRITTEN_MS = 1500; // by then the end of a take is on the disk
const KB = 1024;

/** @typedef {{id: string, name: string, starred: boolean, recording: boolean, began: string, set: string, bytes: number, seconds: number|null, bars: number|null, lost: number|null}} Take */

const size = (bytes) => (bytes < KB * KB ? `${Math.max(1, Math.round(bytes / KB))} kB` : `${(bytes / KB / KB).toFixed(1)} MB`);
const counted = (n, what) => `${n} ${what}${n === 1 ? "" : "s"}`;

/** @param {Take} take */
function length({ seconds, bars, recording }) {
  if (seconds === null || bars === null) return recording ? "being recorded" : "cut off";
  const whole = Math.round(seconds);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}, ${counted(bars, "bar")}`;
}

/** @param {Take} take */
const title = (take) => take.name || `${take.set}, ${take.began.slice(0, 16).replace("T", " ")}`;

/** A button that acts at the second touch, while there is something to ask.
 * @param {string} label @param {string} ask @param {() => any} act @param {Record<string, any>} attrs @param {() => boolean} asks */
function twice(label, ask, act, attrs = {}, asks = () => true) {
  let timer = 0;
  const calm = () => { clearTimeout(timer); timer = 0; el.textContent = label; };
  const el = tool(label, () => {
    if (timer || !asks()) { calm(); act(); return; }
    el.textContent = ask;
    say(`${ask} Touch it again.`);
    timer = setTimeout(calm, AGAIN_MS);
  }, attrs);
  return el;
}

/** What was just performed, made into a section or a set. @param {() => void} done a set has come */
function keepBars(done) {
  const bars = picker("Of the last", [["4", "4 bars"], ["8", "8 bars"], ["16", "16 bars"], ["32", "32 bars"], ["64", "64 bars"]], () => {});
  bars.select.value = "8";
  const name = words({ maxlength: "64", placeholder: "made up if empty" });
  const told = h("div", { role: "status" }), wrong = h("div", { class: "problem", role: "alert" });
  const list = (caption, lines) => (lines.length ? [h("h3", { text: caption }), h("ul", { class: "plain" }, ...lines.map((line) => h("li", { text: line })))] : []);
  async function keep(into) {
    told.replaceChildren();
    const answer = await attempt(wrong, () => api("POST", "keep", { bars: Number(bars.select.value), name: name.value.trim(), into }), "Kept.");
    if (!answer) return;
    name.value = "";
    told.replaceChildren(
      h("p", { text: answer.file ? `${counted(answer.bars, "bar")} are the set ${answer.name}, ${answer.file}, among the other sets.` : `${counted(answer.bars, "bar")} are the section ${answer.name}. Undo takes it out again; Save writes it.` }),
      ...list("Kept", answer.kept), ...list("Not kept", answer.left));
    if (answer.file) done();
  }
  return h("div", { class: "fields" },
    h("h3", { text: "Keep what was just performed" }),
    h("p", { text: "The last whole bars become a section with what stood longest in them, or a set whose order goes through them." }),
    h("div", { class: "field-row" }, bars.el, labelled("Its name", name)),
    h("div", { class: "row-wrap" }, tool("Keep as a section", () => keep("section")), tool("Keep as a set", () => keep("set"))), wrong, told);
}

/** @param {any} app @param {() => void} opened is told of a set that came @returns {import("./bench.js").Part} */
export function takesPart(app, opened) {
  const list = h("ul", { class: "plain", "aria-label": "Takes, the newest first" });
  const said = h("p"), wrong = h("div", { class: "problem", role: "alert" });
  let known = 0, open = ""; // the take whose tools are shown

  const show = (/** @type {{takes: Take[]}} */ { takes }) => {
    known = takes.length;
    text(said, known ? "Every performance is recorded, from its start to its stop. Those with a star are never dropped for room." : "No takes yet. Every performance is recorded, from its start to its stop.");
    list.replaceChildren(...takes.map(row));
  };
  const change = async (method, path, body, done) => {
    const answer = await attempt(wrong, () => api(method, `takes/${path}`, body), done);
    if (answer) show(answer);
  };
  const load = async () => {
    const answer = await attempt(wrong, () => api("GET", "takes"));
    if (answer) show(answer);
  };
  const busy = () => !list.offsetParent || list.contains(document.activeElement);
  const refresh = async () => {
    const answer = busy() ? null : await attempt(wrong, () => api("GET", "takes"));
    if (answer && !busy()) show(answer); // a finger may have come meanwhile
  };
  const toggle = (id) => { open = open === id ? "" : id; return load(); };

  /** @param {Take} take */
  function row(take) {
    const { id, starred } = take, called = title(take), shown = open === id;
    const facts = [take.name ? `${take.set}, ${take.began.slice(0, 16).replace("T", " ")}` : "", length(take), size(take.bytes), take.lost ? `${counted(take.lost, "row")} lost` : ""].filter(Boolean).join(" · ");
    return h("li", {},
      h("div", {}, h("strong", { text: called }), h("small", { text: facts })),
      h("div", { class: "row-wrap" },
        tool(starred ? "Starred" : "Star", () => change("PUT", `${id}/star`, { starred: !starred }, starred ? "No star any more." : "Starred: it stays."), { "aria-pressed": starred, "aria-label": `Star: ${called}` }),
        tool(shown ? "Less" : "More", () => toggle(id), { "aria-expanded": shown, "aria-label": `${shown ? "Less" : "More"}: ${called}` })),
      shown ? tools(take, called) : null);
  }

  /** Goes on from a bar. @param {Take} take @param {string} called */
  function goOn({ id, bars }, called) {
    const bar = words({ inputmode: "numeric", maxlength: "6", "aria-label": `Bar of ${called} to go on from` });
    bar.value = "1";
    const go = async (start) => {
      const answer = await attempt(wrong, () => api("POST", `takes/${id}/continue`, { bar: Number(bar.value), start }));
      if (answer) say(`${start ? "It plays on from there." : "It stands there. Continue plays on."}${answer.exact ? "" : " This take does not tell how patterns stood there; they may stand elsewhere than they did."}`);
    };
    const plays = () => app.store.state.transport?.state === "running";
    const act = (label, start) => twice(label, "What plays is stopped. Do it?", () => go(start), { "aria-label": `${label}: ${called}` }, plays);
    return h("div", { class: "fields" },
      h("div", { class: "field-row" }, labelled("Go on from bar", bar, bars ? `1 to ${bars}` : "")),
      h("div", { class: "row-wrap" }, act("Load it there", false), act("Play on from there", true)));
  }

  /** @param {Take} take @param {string} called */
  function tools(take, called) {
    const { id, name, starred, recording } = take;
    const field = words({ maxlength: "64", placeholder: "a name for it", "aria-label": `Name of ${called}` });
    field.value = name;
    const link = (what, label) => h("a", { class: "k", href: `api/takes/${id}/${what}`, download: "", text: label });
    const drawn = timeline(called, () => `api/takes/${id}/picture`);
    const remove = (path) => { open = ""; return change("DELETE", path, undefined, "Removed."); };
    return h("div", { class: "fields take-tools" },
      h("div", { class: "with-button" }, field, tool("Name it", () => change("PUT", `${id}/name`, { name: field.value }, field.value.trim() ? "Named." : "It has no name any more."), { "aria-label": `Name it: ${called}` })),
      recording ? null : goOn(take, called),
      recording
        ? h("p", {}, h("small", { text: "Stop first: files are made of a whole take." }))
        : h("div", { class: "row-wrap" }, link("midi", "MIDI file"), link("csv", "Table of hits"), link("csv?of=moves", "Table of moves"), drawn.button,
          twice("Remove", starred ? "It has a star. Remove it?" : "Remove it for good?", () => remove(`${id}${starred ? "?starred=yes" : ""}`), { "aria-label": `Remove: ${called}` })),
      recording ? null : drawn.figure);
  }

  // A start or a stop makes another list of it; what somebody is typing stays.
  let word = "";
  app.store.on(["transport"], ({ transport }) => {
    if (transport?.state === word) return;
    word = transport?.state ?? "";
    for (const ms of [0, WRITTEN_MS]) setTimeout(refresh, ms);
  });
  return {
    name: "takes", title: "Takes", note: () => (known ? `${known}` : ""), shown: load,
    el: h("article", { "aria-label": "Takes", class: "fields" }, h("h2", { text: "Takes" }), keepBars(opened), h("h3", { text: "Recorded" }), said, wrong, list),
  };
}
