/** What was saved before, and packs: one file with the set and all that it needs elsewhere. */

import { h, say, text, tool } from "./dom.js";
import { Refusal, api, attempt, labelled } from "./fields.js";

/** "2026-01-31T21:05:00" as a person writes it. */
const said = (until) => until.replace("T", " ");

/**
 * The saved moments of the set, or of the rig and what is beside it, the newest first.
 * @param {"set"|"rig"} what @param {string} note what bringing back does
 * @param {(moment: string, of: string) => Promise<any>} back @param {string} done
 * @param {[string, string][]} files which of them, and what each is called; none: there is one
 * @returns {import("./bench.js").Part}
 */
function momentsPart(what, note, back, done, files = []) {
  const which = /** @type {HTMLSelectElement} */ (h("select", {}, ...files.map(([value, label]) => h("option", { value, text: label }))));
  which.addEventListener("change", () => load());
  const list = h("ol", { class: "done-list", "aria-label": "Saved moments, the newest first" });
  const words = h("p"), wrong = h("div", { class: "problem", role: "alert" });
  let known = 0;

  function row({ moment, until, changes }, of) {
    const lines = changes.length ? changes : ["comments or layout only"];
    return h("li", {},
      h("div", {}, h("strong", { text: `As it was until ${said(until)}` }),
        h("small", { text: "what that save changed:" }), ...lines.map((line) => h("small", { text: line }))),
      tool("Bring back", async () => { if (await attempt(wrong, () => back(moment, of), done)) await load(); }, { "aria-label": `Bring back what was saved until ${said(until)}` }));
  }

  async function load() {
    const of = which.value;
    const answer = await attempt(wrong, () => api("GET", `${what}/moments${of ? `?of=${of}` : ""}`));
    if (!answer || of !== which.value) return;
    known = answer.moments.length;
    text(words, known ? `Saved moments of ${answer.file}. ${note}` : `Nothing was saved over ${answer.file} yet. Each save keeps the version that it replaces.`);
    list.replaceChildren(...answer.moments.map((moment) => row(moment, of)));
  }

  return {
    name: "moments", title: "Saved moments", note: () => (known ? `${known}` : ""), shown: load,
    el: h("article", { "aria-label": "Saved moments", class: "fields" }, h("h2", { text: "Saved moments" }), files.length ? labelled("Of", which) : null, words, wrong, list),
  };
}

/** @returns {import("./bench.js").Part} */
export const setMoments = () => momentsPart("set", "One that is brought back plays from the next bar; Undo takes that back, and Save writes it.",
  (moment) => api("POST", "set/bring-back", { moment, when: "bar" }), "It plays from the next bar.");

/** @returns {import("./bench.js").Part} */
export const rigMoments = () => momentsPart("rig", "One that is brought back is written into the file, and used from the next start on; what is there now is kept in turn.",
  (moment, of) => api("POST", "rig/bring-back", { moment, of }), "Written. It is used from the next start on.",
  [["rig", "The rig"], ["tuning", "Its tunings"], ["sounds", "What the soundcheck heard"]]);

/** A pack to download, and one to open. `opened` is told of a set that came.
 * @param {() => void} opened @returns {import("./bench.js").Part} */
export function packPart(opened) {
  const link = (href, words) => h("a", { class: "k", href, download: "", text: words });
  const input = /** @type {HTMLInputElement} */ (h("input", { type: "file", accept: ".zip,application/zip" }));
  const wrong = h("div", { class: "problem", role: "alert" }), told = h("div", { role: "status" });

  async function send(accept) {
    const file = input.files?.[0];
    if (!file) { input.focus(); say("Choose a pack first."); return; }
    const answer = await attempt(wrong, () => upload(file, accept));
    told.replaceChildren();
    if (!answer) return;
    const rows = answer.fits.filter((row) => row.how !== "same").map((row) => h("li", { text: row.words }));
    if (answer.file) {
      told.append(h("p", { text: `${answer.set} is ${answer.file} now, among the other sets. Open it there.` }), h("ul", { class: "plain" }, ...rows));
      opened();
      return;
    }
    const lost = answer.fits.some((row) => row.how === "none");
    told.append(
      h("p", { text: `${answer.set} was made for ${answer.rig}. Nothing was written yet: these outputs are not the same here.` }),
      h("ul", { class: "plain" }, ...rows),
      lost
        ? h("p", { text: "Some have no place on this rig. On the command line, lanebridge open FILE --rig RIG --put OLD=none leaves them out." })
        : h("div", { class: "row-wrap" }, tool("Take what is suggested", () => send(true))));
  }

  return {
    name: "pack", title: "Pack", note: () => "", shown: () => {},
    el: h("article", { "aria-label": "Pack", class: "fields" }, h("h2", { text: "Pack" }),
      h("p", { text: "A pack is one file with the set that plays, its rig, profiles and patch sheet. On another computer, the command lanebridge open plays it." }),
      h("div", { class: "row-wrap" }, link("api/pack", "Download the pack"), link("api/pack?tuning=yes", "Download with the tunings")),
      h("h3", { text: "Open a pack" }),
      h("p", { text: "It is checked first; its set is put among the others, and plays when you open it there." }),
      labelled("A pack (.zip)", input), h("div", { class: "row-wrap" }, tool("Open the pack", () => send(false))), wrong, told),
  };
}

/** @param {File} file @param {boolean} accept */
async function upload(file, accept) {
  let response;
  try {
    response = await fetch(new URL(`api/pack${accept ? "?accept=yes" : ""}`, document.baseURI), { method: "POST", headers: { "Content-Type": "application/zip" }, body: file });
  } catch { throw new Refusal({ title: "No answer: the connection is lost." }); }
  const data = await response.json().catch(() => ({}));
  if (!response.ok) throw new Refusal({ status: response.status, ...data });
  return data;
}
