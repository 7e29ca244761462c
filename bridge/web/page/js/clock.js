/** The clock of the rig: which one is followed, what others are heard, and the offset. */

import { h, tool } from "./dom.js";
import { judged, labelled } from "./fields.js";
import { clockSign } from "./signs.js";

/** @returns {import("./bench.js").Part} */
export function clockPart(app) {
  const { store, link } = app;
  const words = h("p", { role: "status" }), facts = h("dl", { class: "facts" });
  const sources = h("tbody");
  const offset = /** @type {HTMLInputElement} */ (h("input", { type: "number", step: "0.1", inputmode: "decimal" }));
  store.on(["limits"], ({ limits: { offset: { ms } } }) => { offset.min = String(ms.low); offset.max = String(ms.high); });
  const field = labelled("Offset in ms", offset, "below 0 plays earlier; it acts at once");
  const said = judged(field, offset);
  offset.addEventListener("change", async () => {
    if (!offset.checkValidity() || offset.value === "") { said.show([`From ${offset.min} to ${offset.max} ms, in steps of 0.1.`]); return; }
    const result = await link.send({ do: "offset", ms: Number(offset.value) });
    said.show(result.ok ? [] : [result.problem?.detail ?? "It was not sent."]);
  });
  const refused = h("p", { class: "wrong", role: "alert" });
  const follow = async (source) => {
    const result = await link.send({ do: "follow", source });
    refused.textContent = result.ok ? "" : result.problem?.detail ?? "It was not sent.";
  };
  let shape = "";

  function show() {
    const { clock, transport } = store.state;
    const [, sign] = clockSign(clock);
    words.textContent = `The clock is ${sign}.`;
    facts.replaceChildren(...[["tempo", `${(clock.tempo || transport.tempo || 0).toFixed(2)} BPM`], ["jitter", `${(clock.jitter_ms ?? 0).toFixed(2)} ms`], ...(clock.block_ms ? [["comes in blocks of", `${clock.block_ms} ms`], ["taken out", `${(clock.block_ms / 2).toFixed(1)} ms, their mean lateness`]] : [])].flatMap(([term, value]) => [h("dt", { text: term }), h("dd", { class: "num", text: value })]));
    if (!said.kept && document.activeElement !== offset) offset.value = String(clock.offset_ms ?? 0);
    const names = [...new Set(["internal", clock.source, ...Object.keys(clock.others ?? {})])].filter(Boolean);
    const key = `${clock.source} ${clock.state} ${names}`;
    if (key !== shape) {
      shape = key;
      sources.replaceChildren(...names.map((name) => h("tr", {},
        h("th", { scope: "row", text: name === "internal" ? "internal" : name }), h("td", { class: "num", "data-heard": name }),
        h("td", {}, name === clock.source ? h("strong", { text: name === "internal" ? "in use" : "followed" }) : tool(name === "internal" ? "Internal clock" : "Follow it", () => follow(name), { "aria-label": name === "internal" ? "Internal clock" : `Follow ${name}` })))));
    }
    for (const cell of sources.querySelectorAll("[data-heard]")) {
      const name = /** @type {HTMLElement} */ (cell).dataset.heard ?? "", n = clock.others?.[name];
      const said = n === undefined ? (name === clock.source && name !== "internal" ? "heard and followed" : "") : `${n} clocks heard and not followed`;
      if (cell.textContent !== said) cell.textContent = said;
    }
  }
  store.on(["clock", "transport"], show);
  return {
    name: "clock", title: "Clock", note: () => clockSign(store.state.clock)[1],
    el: h("article", { "aria-label": "Clock", class: "fields" }, h("h2", { text: "Clock" }), words, facts,
      h("h3", { text: "Sources" }), h("table", {}, h("thead", {}, h("tr", {}, ...["Source", "Heard", "Part"].map((t) => h("th", { scope: "col", text: t })))), sources), refused,
      h("h3", { text: "Offset against the other side" }), field),
    shown: show,
  };
}
