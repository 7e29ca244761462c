/** Two people edit one set: what each of them changed, put together. */

const same = (a, b) => JSON.stringify(a) === JSON.stringify(b);

const PATTERN = /^[xX. ]+$/; // steps, which are merged one by one too

/**
 * Three-way merge of a value; lists of one length are merged item by item.
 * @template T
 * @param {T} base the value that the change was made on
 * @param {T} mine the value as it was changed here
 * @param {T} theirs the value as it stands now
 * @returns {{value: T, conflict: boolean}} `conflict`: both changed the same thing; `value` is then theirs
 */
export function merge3(base, mine, theirs) {
  if (same(theirs, base) || same(mine, theirs)) return { value: mine, conflict: false };
  if (same(mine, base)) return { value: theirs, conflict: false };
  const lists = [base, mine, theirs];
  if (lists.every((text) => typeof text === "string" && PATTERN.test(text))) {
    const [was, ours, now] = lists.map((text) => [.../** @type {any} */ (text)]);
    const merged = merge3(was, ours, now);
    return { value: /** @type {any} */ (merged.value.join("")), conflict: merged.conflict };
  }
  if (!lists.every((list) => Array.isArray(list) && list.length === /** @type {any} */ (mine).length)) return { value: theirs, conflict: true };
  const [was, ours, now] = /** @type {any[][]} */ (lists);
  const parts = ours.map((item, i) => merge3(was[i], item, now[i]));
  return parts.some((part) => part.conflict) ? { value: theirs, conflict: true } : { value: /** @type {any} */ (parts.map((part) => part.value)), conflict: false };
}

/** @typedef {{path: string[], value?: any, rename?: string}} Edit */

const at = (data, path) => path.reduce((value, key) => value?.[key], data);

/**
 * Edits that were made on `before`, as they are to be made on `after`.
 * @param {Edit[]} edits
 * @returns {Edit[]|null} null when somebody else has changed the same
 */
export function editsOnto(edits, before, after) {
  const moved = [];
  for (const edit of edits) {
    if (edit.rename !== undefined || edit.value === null) {
      if (!same(at(before, edit.path), at(after, edit.path))) return null;
      moved.push(edit);
      continue;
    }
    const { value, conflict } = merge3(at(before, edit.path), edit.value, at(after, edit.path));
    if (conflict) return null;
    moved.push({ ...edit, value });
  }
  return moved;
}
