/** OSC: every address with its arguments, what comes back, and those that there are now. */

import { h, text } from "./dom.js";
import { api, linesOf } from "./fields.js";

/** @typedef {{name: string, tag: string, takes: string, required: boolean}} Argument */
/** @typedef {{address: string, says: string, tags: string, button: boolean, arguments: Argument[]}} Entry */

const name = (argument) => (argument.required ? argument.name : `[${argument.name}]`);

/** @param {Entry} entry */
function row(entry) {
  const args = [...(entry.button ? ["[1]"] : []), ...entry.arguments.map(name)];
  return h("li", {}, h("div", {},
    h("strong", { text: [entry.address, ...args].join(" ") }),
    h("small", { text: entry.says.replaceAll("`", "") }),
    ...entry.arguments.map((one) => h("small", { text: `${one.name} (${one.tag}): ${one.takes}` }))));
}

/** @returns {import("./bench.js").Part} */
export function oscPart() {
  const where = h("p"), said = h("p", { class: "wrong", role: "alert" });
  const list = (label) => h("ul", { class: "plain", "aria-label": label });
  const commands = list("Addresses that do something"), connection = list("Addresses about the connection");
  const back = list("Addresses that come back"), now = h("ul", { class: "plain", "aria-label": "Addresses of this set" });
  let count = 0;

  async function load() {
    try {
      /** @type {{port: number, tcp: boolean, commands: Entry[], connection: Entry[], feedback: Entry[], answers: Entry[], addresses: string[]}} */
      const book = await api("GET", "osc");
      count = book.addresses.length;
      text(where, `${location.hostname}, port ${book.port}, by UDP${book.tcp ? " or TCP" : ""}. A program asks for all this by /addresses.`);
      commands.replaceChildren(...book.commands.map(row));
      connection.replaceChildren(...book.connection.map(row));
      back.replaceChildren(...[...book.feedback, ...book.answers].map(row));
      now.replaceChildren(...book.addresses.map((address) => h("li", { text: address })));
      text(said, "");
    } catch (error) { text(said, linesOf(error).join("\n")); }
  }

  return {
    name: "osc", title: "OSC", note: () => (count ? `${count} addresses` : "addresses"),
    el: h("article", { "aria-label": "OSC", class: "fields" }, h("h2", { text: "OSC" }), where, said,
      h("h3", { text: "What can be sent" }), commands, connection,
      h("h3", { text: "What comes back" }), back,
      h("details", {}, h("summary", { text: "Every address of this set" }), now)),
    shown: load,
  };
}
