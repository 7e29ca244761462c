/** The state as the service tells it; the page never invents any of it. */

/**
 * JSON Merge Patch (RFC 7396): null removes, objects merge, all else replaces.
 * @param {any} target
 * @param {any} patch
 */
export function merge(target, patch) {
  if (patch === null || typeof patch !== "object" || Array.isArray(patch)) return patch;
  const out = target !== null && typeof target === "object" && !Array.isArray(target) ? target : {};
  for (const [key, value] of Object.entries(patch)) {
    if (value === null) delete out[key];
    else out[key] = merge(out[key], value);
  }
  return out;
}

/** @typedef {import("./types.js").State} State */
/** @typedef {import("./types.js").LaneState} LaneState */

/** Whether a lane is silent: out, or not among those played solo. @param {LaneState} lane */
export const silent = (lane) => lane.muted || !lane.heard;

export class Store {
  constructor() {
    /** @type {State} */
    this.state = /** @type {any} */ ({ lanes: {}, macros: {}, sections: [], ports: {}, transport: {}, clock: {}, lateness: {}, player: {}, order: {}, warnings: [], note_names: [], limits: {}, moved_by: {} });
    /** @type {[Set<string>|null, (state: State, keys: Set<string>|null) => void][]} */
    this.listeners = [];
    this.version = 0; // counts what has changed
  }

  /** Call `fn` now and whenever one of `keys` changes; `keys` null means any change. */
  on(keys, fn) {
    this.listeners.push([keys && new Set(keys), fn]);
    if (this.state.version) fn(this.state, null);
  }

  /** @param {State} state */
  replace(state) {
    this.state = state;
    this.version++;
    for (const [, fn] of this.listeners) fn(state, null);
  }

  patch(patch) {
    merge(this.state, patch);
    this.version++;
    const changed = new Set(Object.keys(patch));
    for (const [keys, fn] of this.listeners) {
      if (!keys || [...keys].some((key) => changed.has(key))) fn(this.state, changed);
    }
  }
}
