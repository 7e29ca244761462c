"""The quick way to change a YAML text: the fewest characters that a change needs.

Nothing here checks what the text says afterwards; `bridge.files.edit` does.
"""

from __future__ import annotations

import re

from bridge.files import plain
from bridge.files.document import Document
from bridge.files.layout import Node, layout, line_break, line_end, line_start, next_line
from bridge.files.yaml_text import render

Path = tuple[str | int, ...]

_COLON = re.compile(r"[ \t]*:")
_DASHES = re.compile(r"[ ]*-[ ]*\Z")

ROWS_MOST = 32
"""Each row that is changed by itself costs one reading of the text. What changes in more rows than
these is written anew: somebody may ask for thousands."""

_HEAD_NOTE = re.compile(r"[|>][-+0-9]*([ ]+#[^\r\n]*)")
"""The comment on the first line of a block text."""


class NoWay(ValueError):
    """The text is written in a way that cannot be changed by a few characters."""


def put(text: str, path: Path, value: object, *, block: bool = False) -> str:
    """The text with a value at a path. What is there already is changed as little as it can be.

    Args:
        text: a text that can be read.
        path: keys, and places of rows that are there.
        value: plain data.
        block: whether a new mapping gets a line for each of its entries, where the text is
            written so.

    Raises:
        NoWay: a row is not there, or the way leads through an alias.
    """
    before = plain.get(Document.parse(text, "").data, path)
    if not block and before is not None:
        return _merged(text, path, before, value)
    return replace(text, path, value, block=block)


def _merged(text: str, path: Path, old: object, new: object) -> str:
    """What differs between two values is changed, row by row, so that comments on the rest stay."""
    if plain.same(old, new):
        return text
    if isinstance(old, dict) and isinstance(new, dict) and new and old:
        kept = [key for key in old if key in new]
        differ = sum(key not in old or not plain.same(old[key], new[key]) for key in new)
        few = differ + len(old) - len(kept) <= ROWS_MOST
        if few and kept and [*kept, *(key for key in new if key not in old)] == list(new):
            for key in new:
                if key not in old:
                    text = replace(text, (*path, key), new[key])
                else:
                    text = _merged(text, (*path, key), old[key], new[key])
            for key in old:
                if key not in new:
                    text = remove(text, (*path, key))
            return text
    if isinstance(old, list) and isinstance(new, list) and new and old:
        return _merged_rows(text, path, old, new)
    return replace(text, path, new)


def _merged_rows(text: str, path: Path, old: list[object], new: list[object]) -> str:
    first = 0
    while first < min(len(old), len(new)) and plain.same(old[first], new[first]):
        first += 1
    last = 0
    while last < min(len(old), len(new)) - first and plain.same(old[-1 - last], new[-1 - last]):
        last += 1
    gone, come = old[first : len(old) - last], new[first : len(new) - last]
    if max(len(gone), len(come)) > ROWS_MOST:
        return replace(text, path, new)
    for place, (before, after) in enumerate(zip(gone, come, strict=False)):
        text = _merged(text, (*path, first + place), before, after)
    both = min(len(gone), len(come))
    for _ in gone[both:]:
        text = remove(text, (*path, first + both))
    for place, row in enumerate(come[both:], first + both):
        text = _insert_row(text, path, place, row)
    return text


def _way(text: str, path: Path) -> tuple[Node, int | None]:
    """The collection that the last key of a path is in, and its row there.

    Raises:
        NoWay: there is no such collection.
    """
    node = layout(text)
    for key in path[:-1]:
        place = node.find(key)
        if place is None:
            raise NoWay
        node = node.rows[place][1]
    if node.kind not in ("map", "list"):
        raise NoWay
    return node, node.find(path[-1])


def _leads_to_mapping(text: str, path: Path) -> bool:
    node: Node = layout(text)
    for key in path:
        place = node.find(key)
        if node.kind == "alias":
            raise NoWay
        if place is None:
            return False
        node = node.rows[place][1]
    if node.kind == "alias":
        raise NoWay
    return node.kind in ("map", "list")


def replace(text: str, path: Path, value: object, *, block: bool = False) -> str:
    """The text with a value at a path, written on one line. Raises NoWay as `put` does."""
    if len(path) > 1 and not _leads_to_mapping(text, path[:-1]):
        return replace(text, path[:-1], {path[-1]: value}, block=block)
    parent, row = _way(text, path)
    if row is None:
        if parent.kind != "map":
            raise NoWay
        return _insert(text, parent, str(path[-1]), value, block)
    key, old = parent.rows[row]
    said = render(value)
    if key is None:
        return text[: old.start] + said + text[old.end :]
    if old.start == old.end and block and not parent.flow and isinstance(value, dict) and value:
        lines = _block(str(path[-1]), value, key.column)[1:]
        at, new = line_end(text, key.end), line_break(text)
        last = new if at == len(text) else ""
        return text[:at] + "".join(new + line for line in lines) + last + text[at:]
    if old.start == old.end:  # nothing is written for it
        colon = _COLON.match(text, key.end)
        after = key.end if colon is None else colon.end()
        return f"{text[:after]}{':' if colon is None else ''} {said}{text[after:]}"
    after = text.index(":", key.end) + 1
    if parent.flow or line_start(text, after) == line_start(text, old.start):
        gap = "" if text[old.start - 1] in " \n" else " "
        note = _HEAD_NOTE.match(text, old.start, old.end)
        return text[: old.start] + gap + said + (note[1] if note else "") + text[old.end :]
    # A block below its key: the comment behind the key stays.
    return f"{text[:after]} {said}{text[after : line_end(text, after)]}{text[old.end :]}"


def _insert(text: str, parent: Node, key: str, value: object, block: bool) -> str:
    """A new entry at the end of a mapping."""
    entry = f"{render(key)}: {render(value)}"
    if parent.flow:
        at = parent.rows[-1][1].end if parent.rows else parent.end - 1
        if parent.rows and text[at - 1] == ":":
            entry = " ," + entry  # what is before says nothing: its colon needs the space
            return text[:at] + entry + text[at:]
        return text[:at] + (", " if parent.rows else "") + entry + text[at:]
    first = parent.rows[0][0]
    if first is None:
        raise NoWay
    column, new = first.column, line_break(text)
    lines = _block(key, value, column, apart=column == 0) if block else [" " * column + entry]
    at = line_end(text, parent.end)
    last = new if at == len(text) else ""
    return text[:at] + "".join(new + line for line in lines) + last + text[at:]


def _block(key: str, value: object, column: int, *, apart: bool = False) -> list[str]:
    """A mapping or a list under its key, one entry a line; the innermost on one line."""
    head = " " * column + render(key) + ":"
    below = " " * (column + 2)
    if isinstance(value, list) and value:
        return [head, *(f"{below}- {render(row)}" for row in value)]
    if not isinstance(value, dict) or not value:
        return [f"{head} {render(value)}"]
    lines = [""] if apart else []
    lines.append(head)
    for name, inner in value.items():
        if isinstance(inner, dict) and inner:
            lines += _block(name, inner, column + 2)
        else:
            lines.append(f"{below}{render(name)}: {render(inner)}")
    return lines


def append(text: str, path: Path, value: object) -> str:
    """The text with one more row in the list that a path leads to, or with a list of this row.
    Raises NoWay as `put` does."""
    before = plain.get(Document.parse(text, "").data, path)
    if isinstance(before, list) and before:
        return _insert_row(text, path, len(before), value)
    return replace(text, path, [value], block=True)


def _insert_row(text: str, path: Path, place: int, value: object) -> str:
    """A new row behind the one before `place`."""
    if place == 0:
        raise NoWay
    rows, row = _way(text, (*path, place - 1))
    if rows.kind != "list" or row is None:
        raise NoWay
    last = rows.rows[row][1].end
    if rows.flow:
        return f"{text[:last]}, {render(value)}{text[last:]}"
    at = line_end(text, last)
    return f"{text[:at]}{line_break(text)}{' ' * rows.column}- {render(value)}{text[at:]}"


def remove(text: str, path: Path) -> str:
    """The text without what a path leads to, and without the mappings that would be empty then."""
    try:
        parent, row = _way(text, path)
    except NoWay:
        return text  # it is not there, or an alias is in the way: what is read afterwards tells
    if row is None:
        return text
    if len(parent.rows) == 1 and len(path) > 1:
        return remove(text, path[:-1])  # an empty mapping would be read as nothing at all
    key, old = parent.rows[row]
    start = old.start if key is None else key.start
    if parent.flow:
        if row:
            return text[: parent.rows[row - 1][1].end] + text[old.end :]
        then, value = parent.rows[1] if len(parent.rows) > 1 else (None, old)
        after = (then or value).start if len(parent.rows) > 1 else old.end
        return text[:start] + text[after:]
    begin = line_start(text, start)
    before = text[begin:start]
    if before.strip() if key is not None else not _DASHES.match(before):
        if key is None or row + 1 >= len(parent.rows):
            raise NoWay
        then = parent.rows[row + 1][0]  # the first of a mapping that begins behind a dash
        if then is None:
            raise NoWay
        return text[:start] + text[then.start :]
    return text[:begin] + text[next_line(text, old.end) :]
