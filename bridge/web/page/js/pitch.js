/** Note names as numbers. */

const LETTERS = { C: 0, D: 2, E: 4, F: 5, G: 7, A: 9, B: 11 };

/** Number of a written note, or null for rests and ties. */
export function numberOf(note) {
  if (note !== null && typeof note === "object") return numberOf(note.note);
  if (typeof note === "number") return note;
  const m = /^([A-G])([#b]*)(-?\d+)$/i.exec(String(note));
  if (!m) return null;
  let n = LETTERS[m[1].toUpperCase()] + 12 * (Number(m[3]) + 1);
  for (const c of m[2].toLowerCase()) n += c === "#" ? 1 : -1;
  return n;
}
