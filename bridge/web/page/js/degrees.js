/** Notes written as degrees of the key, as the editor of notes draws and moves them. */

import { numberOf } from "./pitch.js";

const WRITTEN = /^\^(#{0,2}|b{0,2})(\d{1,2})(\+{0,4}|-{0,4})$/;

/** @typedef {{root: number, scale: number[], octave: number}} Key The key of a lane, and the octave of its degree 1. */

/** The key that the degrees of a lane stand in: the section's, else the set's.
 * @param {import("./set.js").SetModel} model @param {any} lane @param {string|null} section @returns {Key} */
export function keyOf(model, lane, section) {
  const within = section === null ? {} : model.data.sections?.[section]?.key ?? {};
  const { root = "C", scale = "chromatic" } = { ...model.data.key, ...within };
  const listed = Array.isArray(scale) ? scale : model.words.scales[scale] ?? [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11];
  return { root: (numberOf(`${root}4`) ?? 60) % 12, scale: listed, octave: lane.octave ?? 3 };
}

/** What is written: alteration in semitones, degree from 1, octaves up or down; null for what is no degree. */
export function degreeOf(note) {
  const said = note !== null && typeof note === "object" ? note.note : note;
  const found = WRITTEN.exec(String(said));
  if (!found) return null;
  const altered = found[1].startsWith("b") ? -found[1].length : found[1].length;
  return { altered, step: Number(found[2]), octaves: found[3].startsWith("-") ? -found[3].length : found[3].length };
}

/** The note number of a written note, names and degrees alike; null for rests and ties. @param {Key} key */
export function soundOf(note, key) {
  const degree = degreeOf(note);
  if (!degree) return numberOf(note);
  const size = key.scale.length, place = degree.step - 1;
  return 12 * (key.octave + 1 + degree.octaves + Math.floor(place / size)) + key.root + key.scale[place % size] + degree.altered;
}

/** A degree so many degrees further up; below the first one it is written an octave lower. @param {Key} key */
export function degreeMoved(note, steps, key) {
  const degree = degreeOf(note), size = key.scale.length;
  if (!degree) return note;
  let { step, octaves } = degree;
  step += steps;
  while (step < 1 && octaves > -4) { step += size; octaves--; }
  while (step > size && octaves < 0) { step -= size; octaves++; }
  step = Math.max(1, step); // how high it may go, the service says
  const said = `^${(degree.altered < 0 ? "b" : "#").repeat(Math.abs(degree.altered))}${step}${(octaves < 0 ? "-" : "+").repeat(Math.abs(octaves))}`;
  return typeof note === "object" ? { ...note, note: said } : said;
}

/** What a column shows: the degree as it is written. */
export function degreeShown(note) { return String(typeof note === "object" ? note.note : note); }
