/** The keeping view: save, save as, open, what was done by hand, and the whole text. */

import { attr, button, h, say, text } from "./dom.js";
import { Refusal, api, labelled } from "./fields.js";

export async function build(root, app) {
  const where = h("p");
  const problem = h("div", { class: "problem", role: "alert" });
  const sets = h("tbody");
  const done = h("p");
  const area = /** @type {HTMLTextAreaElement} */ (h("textarea", { class: "text", spellcheck: "false", autocapitalize: "none", wrap: "off", "aria-label": "Text of the set" }));
  let loaded = "";

  const fail = (error) => problem.replaceChildren(...(error ? (error instanceof Refusal ? error.lines : [String(error)]).map((line) => h("p", { text: line })) : []));
  /** Run a request and show what is said against it; what was typed stays. */
  async function attempt(act, words) {
    try {
      const answer = await act();
      fail(null);
      if (words) say(words);
      return answer;
    } catch (error) { fail(error); problem.scrollIntoView({ block: "nearest" }); return null; }
  }

  const save = button("Save", () => attempt(() => api("POST", "set/save"), "Saved."));
  const name = /** @type {HTMLInputElement} */ (h("input", { type: "text", value: "", autocapitalize: "none", autocomplete: "off", spellcheck: "false", placeholder: "new-name.yaml" }));
  const saveAs = async (replace) => {
    const file = /\.ya?ml$/.test(name.value) ? name.value : `${name.value.trim()}.yaml`;
    if (await attempt(() => api("POST", "set/save-as", { file, replace }), `Saved as ${file}.`)) load();
  };
  const undo = button("Undo", () => travel("undo")), redo = button("Redo", () => travel("redo"));
  async function travel(way) {
    const result = await app.link.send({ do: way });
    if (!result.ok && !result.lost) say(result.problem?.detail ?? "Nothing there.");
    else loadText();
  }
  const check = button("Check", () => attempt(async () => {
    const { problems } = await api("POST", "set/check", { text: area.value });
    if (problems.length) throw new Refusal({ problems });
  }, "This can be played."));
  const use = button("Use from the next bar", async () => {
    const answer = await attempt(() => api("PUT", "set", { text: area.value, when: "bar" }), "It takes over on the next bar.");
    if (answer) loaded = area.value;
  });
  const fresh = button("Throw my changes away", () => { loaded = ""; loadText(true); });
  const download = button("Download", () => {
    const url = URL.createObjectURL(new Blob([area.value], { type: "application/yaml" }));
    const link = h("a", { href: url, download: app.store.state.document?.file || "set.yaml" });
    link.click();
    setTimeout(() => URL.revokeObjectURL(url), 1000);
  });

  root.append(h("div", { class: "sheet-page" },
    h("h2", { text: "The set" }), where, problem,
    h("div", { class: "row-wrap" }, save, labelled("Save as", name), button("Save as", () => saveAs(false)), button("Replace", () => saveAs(true), { "aria-label": "Save as, and replace a file of that name" })),
    h("small", { text: "A dated copy of the old file is kept beside it each time." }),
    h("h2", { text: "Sets in this folder" }), h("table", {}, h("thead", {}, h("tr", {}, ...["File", "Set", "Open"].map((t) => h("th", { scope: "col", text: t })))), sets),
    h("h2", { text: "Done by hand" }), done, h("div", { class: "row-wrap" }, undo, redo),
    h("h2", { text: "The text" }), area, h("div", { class: "row-wrap" }, check, use, fresh, download, h("a", { class: "k plain", href: "manual", target: "_blank", rel: "noopener", text: "The manual" }))));

  async function loadText(force = false) {
    if (!force && area.value !== loaded) return; // somebody is writing
    const set = await attempt(() => api("GET", "set"));
    if (!set || (!force && area.value !== loaded)) return; // somebody has begun meanwhile
    area.value = set.text;
    loaded = area.value; // as the browser keeps its line ends
  }

  async function load() {
    const answer = await attempt(() => api("GET", "sets"));
    sets.replaceChildren(...(answer?.sets ?? []).map(({ file, set, current }) => h("tr", {},
      h("th", { scope: "row", text: file }), h("td", { text: set ?? "cannot be read" }),
      h("td", {}, current ? "plays now" : button("Open on the next bar", async () => { if (await attempt(() => api("POST", "set/open", { file, when: "bar" }), `${file} takes over on the next bar.`)) { loaded = area.value; load(); loadText(true); } }, { "aria-label": `Open on the next bar: ${file}` })))));
    await loadText();
  }

  app.store.on(["document"], ({ document }) => {
    text(where, document ? `${document.file}: ${document.saved ? "saved as it plays." : "plays differently from what is saved."}` : "");
    attr(save, "aria-disabled", document?.saved ?? false);
  });
  app.store.on(["history"], ({ history }) => {
    attr(undo, "aria-disabled", !history?.undo);
    attr(redo, "aria-disabled", !history?.redo);
    text(done, history?.undo ? `${history.undo} step${history.undo === 1 ? "" : "s"} can be undone, the last one: ${history.undo_label}.${history.redo ? ` ${history.redo} can be done again.` : ""}` : "Nothing was done by hand yet.");
  });
  app.store.on(["revision"], () => { if (!root.hidden) loadText(); });
  await load();
  return { shown: load };
}
