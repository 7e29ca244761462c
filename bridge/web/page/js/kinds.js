/** Kinds of lanes and the keys that they have, as the service tells them: no list stands here. */

/** @typedef {{keys: string[], takes: string, label: string, low: number, high: number, words: string[], optional: boolean}} Part
 * @typedef {{plays: "hits"|"values", says: string, outputs: string[], moved: boolean, parts: Part[], fresh: Record<string, any>}} Kind
 * @typedef {{keys: string[], takes: string, kinds: string[], leading: string[]}} Reference
 * @typedef {{kinds: Record<string, Kind>, references: Reference[], keys: Record<string, string[]>, settings: Record<string, any>,
 *   scales: Record<string, number[]>, rates: string[], directions: string[],
 *   whole: Record<string, {low: number, high: number, unit: string}>, operators: Record<string, LogicWord>, functions: Record<string, LogicWord>}} Words
 * @typedef {{arguments: string[], example: string, says: string}} LogicWord */

/** @returns {Words} */
export const noWords = () => ({ kinds: {}, references: [], keys: {}, settings: {}, scales: {}, rates: [], directions: [], whole: {}, operators: {}, functions: {} });

/** Which kind a written lane is of. @param {Words} words */
export const kindOf = (words, lane) => Object.keys(words.kinds).find((kind) => kind in (lane ?? {})) ?? "?";

/** @param {Words} words */
export const playsHits = (words, lane) => words.kinds[kindOf(words, lane)]?.plays === "hits";

/** Whether lanes of a kind have a key. @param {Words} words @param {string} kind @param {string} key */
export const hasKey = (words, kind, key) => words.keys[key]?.includes(kind) ?? true;

/** What stands at a path of keys. @param {string[]} keys */
export const at = (lane, keys) => keys.reduce((value, key) => value?.[key], lane);

/** What the lane names others with, as text: names, or an expression with names in it.
 * @param {Words} words @returns {[Reference, string][]} */
export function namesIn(words, lane) {
  const kind = kindOf(words, lane);
  return words.references.filter((one) => one.kinds.includes(kind)).map((one) => /** @type {[Reference, any]} */ ([one, at(lane, one.keys)])).filter(([, name]) => typeof name === "string");
}

/** Whether the hits of other lanes say when a lane moves. @param {Words} words @param {Record<string, any>} lanes */
export function isLed(words, lane, lanes) {
  const kind = kindOf(words, lane);
  return namesIn(words, lane).some(([one, name]) => one.leading.includes(kind) && (one.takes === "expression" || name in lanes));
}

/** What a new lane of a kind begins as, or what the set lacks for it.
 * @param {Words} words @param {Record<string, any>} lanes @param {string} name @returns {[any, string]} */
export function fresh(words, lanes, name) {
  const kind = words.kinds[name], made = structuredClone(kind.fresh);
  const first = (takes) => Object.keys(lanes).find((other) => playsHits(words, lanes[other]) === (takes !== "values"));
  for (const part of kind.parts) {
    if (part.optional || !["hits", "values", "expression"].includes(part.takes)) continue;
    const other = first(part.takes);
    if (!other) return [null, `It is made of other lanes: add one of ${part.takes === "values" ? "values" : "hits"} first.`];
    const last = part.keys[part.keys.length - 1];
    let into = made;
    for (const key of part.keys.slice(0, -1)) into = into[key] ??= {};
    into[last] = part.takes === "expression" ? `not ${other}` : other;
  }
  return [made, ""];
}

/** The lanes that neither are a lane nor follow from it, so that it may be made of them.
 * @param {Words} words @param {Record<string, any>} lanes @param {string} name */
function free(words, lanes, name) {
  const taken = new Set([name]);
  const follows = (lane) => namesIn(words, lane).some(([, text]) => [...taken].some((one) => new RegExp(`(?<![\\w-])${one}(?![\\w-])`).test(text)));
  for (let before = 0; before < taken.size;) {
    before = taken.size;
    for (const [other, lane] of Object.entries(lanes)) if (follows(lane)) taken.add(other);
  }
  return Object.fromEntries(Object.entries(lanes).filter(([other]) => !taken.has(other)));
}

/** What makes a lane one of another kind: keys and their values, null for what means nothing there;
 * or what the set lacks for it. @param {Words} words @param {Record<string, any>} lanes
 * @param {string} name @param {any} lane as it is now @param {string} kind @returns {[[string, any][], string]} */
export function becoming(words, lanes, name, lane, kind) {
  const [made, lacks] = fresh(words, free(words, lanes, name), kind);
  if (lacks) return [[], lacks];
  if (lane.rate !== undefined || lane.advance !== undefined) delete made.rate;
  const next = { ...lane, [kindOf(words, lane)]: undefined, ...made };
  const means = (key) => (key === "advance" ? words.kinds[kind].moved : key === "feel" ? isLed(words, next, lanes) : hasKey(words, kind, key) && (words.settings[key]?.kinds.includes(kind) ?? true));
  const gone = Object.keys(lane).filter((key) => !(key in made) && (key in words.kinds || !means(key)));
  return [[...gone.map((key) => /** @type {[string, any]} */ ([key, null])), ...Object.entries(made)], ""];
}
