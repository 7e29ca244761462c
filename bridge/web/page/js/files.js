/** The view of files: save, save as, open another set, what was done by hand, takes, and the whole text. */

import { bench } from "./bench.js";
import { attr, h, say, text, tool } from "./dom.js";
import { Refusal, api, attempt, judged, labelled, linesOf, picker } from "./fields.js";
import { words } from "./forms.js";
import { packPart, setMoments } from "./keeping.js";
import { takesPart } from "./takes.js";

const SHOWN = 12; // steps of the history before "all"

export async function build(root, app) {
  const where = h("p");
  const area = /** @type {HTMLTextAreaElement} */ (h("textarea", { class: "text", spellcheck: "false", autocapitalize: "none", wrap: "off", "aria-label": "Text of the set" }));
  const name = words({ placeholder: "new-name.yaml", maxlength: "80" });
  const box = labelled("Save as", name);
  const named = judged(box, name);
  const setsSaid = h("div", { class: "problem", role: "alert" });
  const textBox = h("div", {}, area), textSaid = judged(textBox, area);
  const topSaid = h("div", { class: "problem", role: "alert" });
  let loaded = "", known = 0;

  const judge = async (act, done = "") => {
    try { await act(); if (done) say(done); return []; } catch (error) { return linesOf(error); }
  };

  // --- the file ---
  const save = tool("Save", () => attempt(topSaid, () => api("POST", "set/save"), "Saved."));
  const saveAs = async (replace) => {
    if (!name.value.trim()) { named.show(["A name for the file."]); name.focus(); return; }
    const file = /\.ya?ml$/.test(name.value) ? name.value.trim() : `${name.value.trim()}.yaml`;
    if (await named.hear(judge(() => api("POST", "set/save-as", { file, replace }), `Saved as ${file}.`))) name.value = "";
    else name.focus();
  };

  // --- other sets ---
  const tempo = picker("Tempo", [["set", "the other set's own"], ["keep", "stays as it is"]], () => {});
  const when = picker("When", [["bar", "on the next bar"], ["beat", "on the next beat"]], () => {});
  const sets = h("ul", { class: "plain", "aria-label": "Sets in this folder" });
  const over = (answer, file) => { if (!answer) return; say(`${file} begins ${when.select.value === "bar" ? "on the next bar" : "on the next beat"}.`); loaded = area.value; loadSets(); loadText(true); };
  const open = async (file, fresh = false) => over(await attempt(setsSaid, () => api("POST", "set/open", { file, when: when.select.value, tempo: tempo.select.value, ...(fresh ? { fresh } : {}) })), file);
  const back = tool("Back to the set before", async () => over(await attempt(setsSaid, () => api("POST", "set/back", { when: when.select.value, tempo: tempo.select.value })), "The set before"));
  const ready = async (file) => { if (await attempt(setsSaid, () => api("POST", "sets/load", { file }), `${file} can begin at once.`)) loadSets(); };

  function setRow({ file, set, current, loaded: isReady, saved }) {
    const state = current ? "plays now" : [isReady ? "ready" : "", saved ? "" : "left with unsaved changes"].filter(Boolean).join(", ");
    return h("li", { "aria-current": current ? "true" : null },
      h("div", {}, h("strong", { text: set ?? "cannot be read" }), h("small", { text: [file, state].filter(Boolean).join(": ") })),
      current ? null : h("div", { class: "row-wrap" },
        isReady ? null : tool("Make ready", () => ready(file), { "aria-label": `Make ready: ${file}` }),
        saved ? null : tool("Open as saved", () => open(file, true), { "aria-label": `Open as saved: ${file}` }),
        tool("Open", () => open(file), { "aria-label": `Open: ${file}` })));
  }

  // --- what was done ---
  const undo = tool("Undo", () => travel("undo", 1)), redo = tool("Redo", () => travel("redo", 1));
  const done = h("ol", { class: "done-list", "aria-label": "History, the last step first" });
  const count = h("p");
  let all = false, drawn = "";
  async function travel(way, steps) {
    for (let i = 0; i < steps; i++) {
      const result = await app.link.send({ do: way });
      if (!result.ok) { if (!result.lost) say(result.problem?.detail ?? "Nothing there."); break; }
    }
    loadText();
  }
  async function loadHistory() {
    const { done: back = [], undone: forth = [] } = await api("GET", "history").catch(() => ({}));
    const key = JSON.stringify([back, forth, all]);
    if (key === drawn) return;
    drawn = key;
    const cut = (list) => (all ? list : list.slice(0, SHOWN));
    text(count, back.length ? `${back.length} step${back.length === 1 ? "" : "s"} can be undone${forth.length ? `, ${forth.length} can be done again` : ""}.` : "Nothing was changed yet.");
    done.replaceChildren(
      ...cut(forth).map((label, i) => h("li", { "data-undone": "yes" }, h("span", { text: `undone: ${label}` }), tool("Redo to here", () => travel("redo", i + 1), { "aria-label": `Redo to here: ${label}` }))).reverse(),
      ...cut(back).map((label, i) => h("li", {}, h("span", { text: label }), tool("Undo to here", () => travel("undo", i + 1), { "aria-label": `Undo to here: ${label}` }))));
    more.hidden = all || Math.max(back.length, forth.length) <= SHOWN;
  }
  const more = tool("Show every step", () => { all = true; loadHistory(); }, { hidden: true });

  // --- the text ---
  const check = tool("Check", () => textSaid.hear(judge(async () => {
    const { problems } = await api("POST", "set/check", { text: area.value });
    if (problems.length) throw new Refusal({ problems });
  }, "This can be played.")));
  const use = tool("Use from the next bar", async () => {
    const tried = area.value;
    if (await textSaid.hear(judge(() => api("PUT", "set", { text: tried, when: "bar" }), "It begins on the next bar."))) loaded = tried;
  });
  const fresh = tool("Throw my changes away", () => { textSaid.show([]); loaded = ""; loadText(true); });
  const download = tool("Download", () => {
    const url = URL.createObjectURL(new Blob([area.value], { type: "application/yaml" }));
    const link = h("a", { href: url, download: (app.store.state.document?.file || "set.yaml").split("/").pop() });
    link.click(); setTimeout(() => URL.revokeObjectURL(url), 1000);
  });

  const told = h("div", { role: "status" });
  const article = (title, ...kids) => h("article", { "aria-label": title, class: "fields" }, h("h2", { text: title }), ...kids);
  /** @type {import("./bench.js").Part[]} */
  const parts = [
    { name: "file", title: "File", note: () => (app.store.state.document?.saved ? "saved" : "not saved"), shown: () => {},
      el: article("File", where, told, topSaid, h("div", { class: "row-wrap" }, save, download), h("div", { class: "with-button" }, box, h("div", { class: "row-wrap" }, tool("Save as", () => saveAs(false)), tool("Replace", () => saveAs(true), { "aria-label": "Save as, and replace a file of that name" }))),
        h("p", {}, h("small", { text: "A dated copy of the old file is kept beside it each time." }))) },
    { name: "sets", title: "Other sets", note: () => (known ? `${known}` : ""), shown: loadSets,
      el: article("Other sets", h("div", { class: "field-row" }, when.el, tempo.el, back), setsSaid, sets) },
    { name: "done", title: "History", note: () => { const n = app.store.state.history?.undo ?? 0; return n ? `${n}` : ""; }, shown: loadHistory,
      el: article("History", count, h("div", { class: "row-wrap" }, undo, redo, more), done) },
    takesPart(app, loadSets), setMoments(), packPart(loadSets),
    { name: "text", title: "Text", note: () => (area.value === loaded ? "" : "changed"), shown: () => loadText(),
      el: article("Text", textBox, h("div", { class: "row-wrap" }, check, use, fresh, h("a", { class: "k plain", href: "manual", target: "_blank", rel: "noopener", text: "The manual" }))) },
  ];
  const view = bench(root, "Files: its parts", parts);

  async function loadText(force = false) {
    if (!force && area.value !== loaded) return; // somebody is writing
    const set = await api("GET", "set").catch((error) => { textSaid.show(linesOf(error)); return null; });
    if (!set || (!force && area.value !== loaded)) return; // somebody has begun meanwhile
    area.value = set.text;
    loaded = area.value; // as the browser keeps its line ends
    textSaid.show([]);
  }

  async function loadSets() {
    const answer = await attempt(setsSaid, () => api("GET", "sets"));
    if (!answer) return;
    known = answer.sets.length;
    sets.replaceChildren(...answer.sets.map(setRow));
  }

  app.store.on(["document"], ({ document }) => {
    text(where, document ? `${document.file}: ${document.saved ? "saved as it plays." : "plays differently from what is saved."}` : "");
    attr(save, "aria-disabled", document?.saved ?? false);
    told.replaceChildren(
      ...(document?.notes ?? []).map((note) => h("p", { text: note })),
      ...(document?.outside ? [h("p", {}, "The file was changed outside of this program. ", tool("Take what the file holds now", () => open(document.file, true)))] : []));
    view.notes();
  });
  app.store.on(["history"], ({ history }) => {
    attr(undo, "aria-disabled", !history?.undo);
    attr(redo, "aria-disabled", !history?.redo);
    if (!root.hidden) { loadHistory(); view.notes(); }
  });
  app.store.on(["revision"], () => { if (!root.hidden) loadText(); });
  area.addEventListener("input", view.notes);
  return { ...view, async shown() { await Promise.all([view.shown(), loadText()]); } };
}
