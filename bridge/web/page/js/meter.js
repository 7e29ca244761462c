/** The meter of what is played. */

/** Ticks of a bar and of a beat, from the state's meter (4/4 unless it says otherwise).
 * @param {import("./store.js").State} state */
export function meter(state) {
  const [count, unit] = state.meter ?? [4, 4];
  const beat = 3840 / unit;
  return { beat, bar: beat * count };
}
