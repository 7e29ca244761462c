/** The kind of a lane, as the set is written. */

/** Which source a written lane has. @param {any} lane */
export function kindOf(lane) {
  return ["euclid", "steps", "every", "logic", "notes", "levels", "shape", "decay", "hold", "walk"].find((kind) => kind in (lane ?? {})) ?? "?";
}
