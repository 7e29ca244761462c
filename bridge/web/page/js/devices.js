/** Who is let in from the network: the devices, what each may do, and a code for one more. */

import { h, say, text, tool } from "./dom.js";
import { api, linesOf, picker } from "./fields.js";
import { entry } from "./forms.js";

/** @type {[string, string][]} */
const ROLES = [["watch", "watch: look only"], ["play", "play: look and perform"], ["edit", "edit: all of that, and change the set and the rig"]];
const used = new Intl.DateTimeFormat(undefined, { dateStyle: "medium", timeStyle: "short" });

/** @typedef {{id: string, name: string, role: string, host: string, paired: number, used: number, here: boolean}} Device */

/** @returns {import("./bench.js").Part} */
export function devicesPart() {
  const rows = h("ul", { class: "plain controls", "aria-label": "Devices that are let in" });
  const none = h("p", { role: "status" }), said = h("p", { class: "wrong", role: "alert" });
  let count = 0;

  /** @param {Device} device */
  function row(device) {
    const address = `devices/${encodeURIComponent(device.id)}`;
    const change = (body) => api("PUT", address, { name: device.name, role: device.role, ...body }).then((now) => { Object.assign(device, now); return []; }, linesOf);
    const name = entry("Name", (value) => change({ name: value.trim() }), { attrs: { maxlength: "40", "aria-label": `Name of ${device.name}` } });
    name.update(device.name);
    const role = picker("May", ROLES, async (value) => {
      const lines = await change({ role: value });
      text(said, lines.join("\n"));
      role.update(device.role); // what was refused is not shown
    });
    role.update(device.role);
    role.select.setAttribute("aria-label", `What ${device.name} may do`);
    const out = tool("Shut out", async () => {
      try {
        await api("DELETE", address);
        say(`${device.name} is shut out. It must be let in again by a code.`);
        await load();
      } catch (error) { text(said, linesOf(error).join("\n")); }
    }, { "aria-label": `Shut out ${device.name}` });
    return h("li", {}, h("div", { class: "control-head" },
      h("div", {}, h("strong", { text: `${device.name}${device.here ? " (this one)" : ""}` }), h("small", { text: `${device.host}, last used ${used.format(device.used * 1000)}` })), out),
    h("div", { class: "field-row" }, name.el, role.el));
  }

  async function load() {
    try {
      /** @type {{devices: Device[]}} */
      const { devices } = await api("GET", "devices");
      count = devices.length;
      rows.replaceChildren(...devices.map(row));
      text(none, count ? "" : "No device has been let in from the network.");
      text(said, "");
    } catch (error) { text(said, linesOf(error).join("\n")); }
  }

  const fresh = picker("It may", ROLES, () => {});
  fresh.update("play");
  const code = h("p", { class: "code", role: "status" });
  const make = tool("Make a code", async () => {
    try {
      const made = await api("POST", "pairing", { role: fresh.select.value });
      text(code, `${made.code}, to be typed at ${made.address.split("?")[0]} within ${Math.round(made.seconds / 60)} minutes. It lets one device in.`);
      text(said, "");
    } catch (error) { text(code, ""); text(said, linesOf(error).join("\n")); }
  });
  return {
    name: "devices", title: "Devices",
    note: () => (count ? String(count) : "none"),
    el: h("article", { "aria-label": "Devices", class: "fields" }, h("h2", { text: "Devices" }), rows, none, said,
      h("h3", { text: "Let one in" }), h("div", { class: "field-row" }, fresh.el, make), code),
    shown: load,
  };
}
