/** Where the changes of a lane hold: everywhere, or in one section only, as the differences that the
 * section writes. The page always says which. `edit` is the lane's editor. */

import { h, say, text, tool } from "./dom.js";
import { picker, settingName } from "./fields.js";
import { becoming, kindOf } from "./kinds.js";

/** @typedef {{path: string[], value?: any, rename?: string}} Edit */

/** What a lane keeps in every section. */
const FIXED = ["out", "share", "muted", "groups", "freeze", "drives"];
/** How a section says that a lane is here as one that does not say it. @type {Record<string, any>} */
const PLAIN = { direction: "forward", compare: "steps", reads: "after-mute", feel: "cause", accents: ".", passes: { on: [1], of: 1 }, quantise: "off" };
const OF_EUCLID = ["hits", "steps", "rotate"];

const isMap = (value) => value !== null && typeof value === "object" && !Array.isArray(value);

/** Edits of the set as edits of a section's own text. @param {Edit[]} edits @param {string|null} section */
export const prefixed = (edits, section) => (section === null ? edits : edits.map((edit) => ({ ...edit, path: ["sections", section, ...edit.path] })));

/** The way back. @param {Edit[]} edits @param {string|null} section */
export const unprefixed = (edits, section) => (section === null ? edits : edits.map((edit) => ({ ...edit, path: edit.path.slice(2) })));

/** A lane as it is in a section: the set's, with the differences of the section.
 * @param {import("./kinds.js").Words} words @param {any} base @param {any} over */
export function laneWithin(words, base, over) {
  if (!over) return base;
  const beside = (key) => OF_EUCLID.includes(key) && typeof over[key] === "number";
  const source = Object.keys(words.kinds).find((key) => key in over && !beside(key));
  const lane = { ...base };
  if (source) for (const key of Object.keys(words.kinds)) if (key !== source) delete lane[key];
  if ("rate" in over) delete lane.advance;
  if ("advance" in over) delete lane.rate;
  for (const [key, value] of Object.entries(over)) {
    if (beside(key) && isMap(lane.euclid)) lane.euclid = { ...lane.euclid, [key]: value };
    else lane[key] = isMap(value) && isMap(lane[key]) && key !== "passes" ? { ...lane[key], ...value } : value;
  }
  return lane;
}

export class Within {
  /** @param {import("./lane-edit.js").LaneEditor} edit */
  constructor(edit) {
    this.edit = edit;
    this.picker = picker("Changes apply", [["", "everywhere"]], (name) => { this.model.section = name || null; edit.update(); return []; });
    this.note = h("p", { class: "trial-within" });
    this.back = tool("As everywhere", () => this.forget());
    this.el = h("div", {}, h("div", { class: "title-row" }, this.picker.el, this.back), this.note);
  }

  get model() { return this.edit.model; }

  /** The section that changes hold in; null: everywhere. @returns {string|null} */
  get section() {
    const { section, data } = this.model;
    return section !== null && section in (data.sections ?? {}) ? section : null;
  }

  get base() { return this.model.data.lanes[this.edit.name] ?? {}; }

  /** What the section writes of the lane. */
  get over() { return this.section === null ? null : this.model.data.sections[this.section]?.lanes?.[this.edit.name] ?? null; }

  get lane() { return laneWithin(this.model.words, this.base, this.over); }

  /** Changes of the lane, in the section where they can hold there. @returns {Promise<string[]>} */
  change(edits, when) {
    const { section } = this;
    const fixed = edits.find((edit) => edit.rename !== undefined || FIXED.includes(edit.path[2]));
    if (section === null || fixed) {
      if (section !== null) say(`${this.edit.name} has this in every section: it is changed everywhere.`);
      return this.model.judge(edits, when);
    }
    return this.model.judge(edits.map((edit) => this.whole(edit)), when, section);
  }

  /** Makes it a lane of another kind, there where changes hold. @param {string} kind */
  async become(kind) {
    const { words, data } = this.model, { name } = this.edit, { over } = this;
    const [pairs, lacks] = becoming(words, data.lanes, name, this.lane, kind);
    if (lacks) return [lacks];
    if (this.section === null) return this.change(pairs.map(([key, value]) => ({ path: ["lanes", name, key], value })));
    // A section writes what differs: what means nothing on the new kind it leaves out by itself.
    const home = kindOf(words, this.base) === kind;
    const own = pairs.filter(([key, value]) => (value === null ? over && key in over : !(home && key === kind)));
    return this.model.judge(own.map(([key, value]) => ({ path: ["lanes", name, key], value })), undefined, this.section);
  }

  /** One change as a section can write it: nothing is said by its word, what lies deep in one piece. */
  whole(edit) {
    const [kind, name, key, inner, ...deep] = edit.path;
    if (edit.value === null && !inner && key in this.base && key in PLAIN) return { ...edit, value: PLAIN[key] };
    if (!deep.length) return edit;
    const piece = structuredClone(this.lane[key]?.[inner] ?? {});
    piece[deep[0]] = edit.value;
    return { ...edit, path: [kind, name, key, inner], value: piece };
  }

  /** The section has what the set has again. */
  async forget() {
    const { section } = this;
    if (section === null) return;
    const said = await this.model.judge([{ path: ["lanes", this.edit.name], value: null }], "beat", section);
    if (said.length) say(said[0]);
    else say(`${section} has ${this.edit.name} as it is everywhere. Undo brings the difference back.`);
  }

  update() {
    const names = Object.keys(this.model.data.sections ?? {}), { section, over } = this;
    const options = [["", "everywhere"], ...names.map((name) => [name, `only in ${name}`])];
    this.picker.select.replaceChildren(...options.map(([value, label]) => h("option", { value, text: label })));
    this.picker.select.value = section ?? "";
    this.el.hidden = !names.length;
    this.back.hidden = !over;
    const others = names.filter((name) => this.model.data.sections[name]?.lanes?.[this.edit.name]);
    if (section === null) text(this.note, others.length ? `Different in ${others.join(", ")}: what is written there stays.` : "");
    else text(this.note, `${this.plays(section)}${over ? ` Its own here: ${this.own(over)}.` : " All as everywhere so far."}`);
  }

  plays(section) {
    const now = this.edit.app.store.state.section;
    return now === section ? `${section} plays now.` : `${section} does not play now: it is heard when it comes.`;
  }

  own(over) {
    const kind = kindOf(this.model.words, over), here = kindOf(this.model.words, this.lane), base = kindOf(this.model.words, this.base);
    if (here !== base) return `a lane of ${here}, and not of ${base}`;
    return Object.keys(over).map((key) => (key === kind ? key : settingName(key))).join(", ");
  }
}
