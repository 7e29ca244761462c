/** What a macro or a lane of values drives, and how far each: rows that are added, changed, removed. */

import { h, text, tool } from "./dom.js";
import { curvePicker } from "./curves.js";
import { fader, judged, picker, settingName } from "./fields.js";
import { entry } from "./forms.js";
import { kindOf } from "./kinds.js";

const DEPTH = { low: -1, high: 1, unit: "", whole: false };

/** What a drive leads to, in words. */
export const driveName = (d) => (d.out ? d.out : `${d.lane} ${settingName(d.setting)}`);

/** A drive with a curve of its own; null: with that of its macro. */
function curved(drive, curve) {
  const next = { ...drive, curve };
  if (curve === null) delete next.curve;
  return next;
}

/** Whether a drive puts a setting where it says, in place of what stands there. */
const puts = (drive) => Boolean(drive.lane) && drive.from !== undefined;

/** What several that move the same do together, in words. @param {any} drive @param {{name: string, puts: boolean}[]} others */
function together(drive, others) {
  if (!others.length) return "";
  const putter = others.find((one) => one.puts)?.name, names = others.map((one) => one.name).join(", ");
  if (puts(drive)) return `Also moved by ${names}: what they add comes on top of where this one puts it.`;
  return putter ? `Also moved by ${names}: ${putter} puts it somewhere, and what the others add comes on top.` : `Also moved by ${names}: what each adds is added up.`;
}

/** The macros and lanes that move the same as a drive, all but its own.
 * @param {any} data the set @param {any} drive @param {string[]} own kind and name */
function sharers(data, drive, own) {
  /** @type {{name: string, puts: boolean}[]} */
  const found = [];
  for (const kind of ["macros", "lanes"]) for (const [name, { drives }] of Object.entries(data[kind] ?? {})) {
    if (kind === own[0] && name === own[1]) continue;
    const same = drives?.find((d) => d.out === drive.out && d.lane === drive.lane && d.setting === drive.setting);
    if (same) found.push({ name, puts: puts(same) });
  }
  return found;
}

/**
 * @param {import("./set.js").SetModel} model
 * @param {(drives: any[]) => Promise<string[]>} put
 * @param {{least: number, self?: string, macro?: string}} limits `least` rows must stay; a lane
 *   `self` does not drive itself
 */
export function drivesPart(model, put, { least, self = "", macro = "" }) {
  const own = macro ? ["macros", macro] : ["lanes", self];
  /** @type {any[]} */
  let drives = [];
  let shape = "";
  /** @type {((drive: any) => void)[]} */
  let updates = [];
  /** The next change counts from this one, also before the page hears of it. @param {any[]} next */
  const send = async (next) => {
    const before = drives;
    drives = next;
    const lines = await put(next);
    if (lines.length && drives === next) drives = before;
    return lines;
  };
  const rows = h("div", { class: "drives" });
  const pick = picker("Drive one more", [], async (v) => {
    if (!v) return [];
    const [first, setting] = v.split(" ");
    const lines = await send([...drives, setting ? { lane: first, setting, depth: 0.5 } : { out: first, depth: 0.5 }]);
    if (!lines.length) pick.select.value = "";
    return lines;
  });
  const el = h("div", {}, rows, pick.el);
  const said = judged(rows, rows);

  function targets() {
    const all = [["", "choose"], ...model.outputs.filter((o) => ["pitch", "level"].includes(o.kind)).map((o) => [o.output, `${o.output}${o.cable ? `, ${o.cable}` : ""}`])];
    for (const [lane, written] of Object.entries(model.data.lanes)) {
      if (lane === self) continue;
      for (const [key, s] of Object.entries(model.words.settings)) if (s.kinds.includes(kindOf(model.words, written))) all.push([`${lane} ${key}`, `${lane}: ${settingName(key)}`]);
    }
    pick.select.replaceChildren(...all.map(([value, label]) => h("option", { value, text: label })));
  }

  function row(drive, i) {
    const name = driveName(drive);
    const change = (next) => send(drives.map((d, j) => (j === i ? next(d) : d)));
    const fields = h("div", { class: "drive-fields" });
    const ends = drive.from !== undefined;
    const output = model.outputs.find((o) => o.output === drive.out);
    const range = drive.out ? output : model.words.settings[drive.setting];
    const unit = drive.out ? "volts" : range?.unit ?? "";
    if (ends) {
      const end = (key, caption) => entry(`${name} ${caption}, ${unit}`, (typed) => (typed.trim() !== "" && Number.isFinite(Number(typed)) ? change((d) => ({ ...d, [key]: Number(typed) })) : [drive.out ? "A number of volts." : `A number: ${unit}.`]), { attrs: { inputmode: "decimal" } });
      const from = end("from", "from"), to = end("to", "to");
      fields.append(from.el, to.el);
      updates[i] = (d) => { from.update(String(d.from)); to.update(String(d.to)); };
    } else {
      const depth = fader({ ...DEPTH, name }, (v) => change((d) => ({ ...d, depth: v })));
      fields.append(depth.el);
      updates[i] = (d) => depth.update(d.depth ?? 1);
    }
    const curve = macro ? curvePicker(`${name}: curve`, (v) => change((d) => curved(d, v)), true) : null;
    const way = drive.out ? "From volt to volt" : "From value to value";
    const turned = (d) => {
      const kept = Object.fromEntries(["out", "lane", "setting", "curve"].filter((key) => key in d).map((key) => [key, d[key]]));
      return ends ? { ...kept, depth: 0.5 } : { ...kept, from: range?.low, to: range?.high };
    };
    const other = range && tool(ends ? "As a depth" : way, () => said.hear(change(turned)), { "aria-label": `${name}: ${ends ? "as a depth" : way.toLowerCase()}` });
    const gone = tool("Remove", () => {
      if (drives.length <= least) { said.show(["A macro drives one thing at least: remove the macro instead."]); return; }
      said.hear(send(drives.filter((_, j) => j !== i)));
    }, { "aria-label": `Remove ${name}` });
    const shared = h("small", { class: "shared" });
    const show = updates[i];
    updates[i] = (d) => {
      show(d);
      curve?.update(d.curve, model.data.macros[macro]?.curve ?? 0);
      const others = sharers(model.data, d, own);
      shared.hidden = !others.length;
      text(shared, together(d, others));
    };
    return h("div", { class: "drive" }, fields, h("div", { class: "drive-acts" }, other || null, gone), curve && h("div", { class: "drive-curve" }, curve.el), shared);
  }

  return {
    el,
    /** @param {any[]} next */
    update(next) {
      drives = next;
      if (document.activeElement !== pick.select) targets();
      const key = drives.map((d) => JSON.stringify([d.out, d.lane, d.setting, d.from === undefined])).join();
      if (key !== shape) {
        shape = key;
        updates = [];
        const note = rows.lastChild; // what is said stays below the rows
        rows.replaceChildren(...drives.map(row), ...(note ? [note] : []));
      }
      drives.forEach((d, i) => updates[i](d));
    },
  };
}
