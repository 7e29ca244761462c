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

/**
 * @typedef {{kind: string, out: string|null, muted: boolean, under?: boolean, pending: null|{muted: boolean, tick: number, bar: number, text: string}, held: boolean, solo: boolean, heard?: boolean, groups: string[], settings: Record<string, number>}} LaneState
 * @typedef {{version: string, rig: string, set: string, revision: number, meter?: [number, number], history?: any, document?: any, transport: any, clock: any, lanes: Record<string, LaneState>, macros: Record<string, {value: number, drives: string[]}>, sections: string[], section: string|null, section_pending: any, order: any, ports: Record<string, any>, lateness: any, player: any, warnings: string[], note_names: string[]}} State
 */
/** Whether a lane is silent: out, or not among those played solo. @param {LaneState} lane */
export const silent = (lane) => lane.muted || lane.heard === false;

export class Store {
  constructor() {
    /** @type {State} */
    this.state = /** @type {any} */ ({ lanes: {}, macros: {}, sections: [], ports: {}, transport: {}, clock: {}, lateness: {}, player: {}, order: {}, warnings: [], note_names: [] });
    /** @type {[Set<string>|null, (state: State, keys: Set<string>|null) => void][]} */
    this.listeners = [];
  }

  /** Call `fn` now and whenever one of `keys` changes; `keys` null means any change. */
  on(keys, fn) {
    this.listeners.push([keys && new Set(keys), fn]);
    if (this.state.version) fn(this.state, null);
  }

  /** @param {State} state */
  replace(state) {
    this.state = state;
    for (const [, fn] of this.listeners) fn(state, null);
  }

  patch(patch) {
    merge(this.state, patch);
    const changed = new Set(Object.keys(patch));
    for (const [keys, fn] of this.listeners) {
      if (!keys || [...keys].some((key) => changed.has(key))) fn(this.state, changed);
    }
  }
}
