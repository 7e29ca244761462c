"""Changes to a file's text by path, so that comments, order and layout of the rest stay.

The page edits values, the person edits text; both edit the same file. A change names a path of keys
(``("lanes", "kick", "euclid", "hits")``) and a value, or renames the key it leads to. What the
text then means is for `bridge.files.set` to check; here only the layout matters.

Every change is exact: what the text says afterwards is read, and compared with what it said before
and the change. Where YAML has a turn that the quick way does not know (an alias, say, whose anchor
would change along with it), more of the text is written anew until it is so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from bridge.errors import InputError, Problem
from bridge.files import patch, plain
from bridge.files.document import Document
from bridge.files.renaming import references as references
from bridge.files.renaming import renamed_data, renamed_text
from bridge.files.yaml_text import render

Path = tuple[str, ...]
Way = Callable[[str], str]


@dataclass(frozen=True, slots=True)
class Change:
    """One change. `value` None removes the key (and a mapping that would be empty without it);
    `rename` gives it another name instead (and changes what refers to it, for lanes, macros and
    sections)."""

    path: Path
    value: object = None
    rename: str | None = None


def apply(text: str, changes: Iterable[Change]) -> str:
    """The text after all changes, made one after another.

    Args:
        text: a whole YAML text; a byte order mark stays.
        changes: each finds what those before it have left; to remove what is not there is nothing.

    Raises:
        InputError: the text is no YAML mapping, a path has no key, what gets another name is not
            there or that name is taken, or the result cannot be read.
    """
    changes = list(changes)
    data = Document.parse(text, "").data
    for change in changes:
        data = _wanted(data, change)

    def way(text: str) -> str:
        for change in changes:
            text = _changed(text, change)
        return text

    return _exact(text, data, way)


def _wanted(data: dict[str, object], change: Change) -> dict[str, object]:
    """What the file says after a change."""
    path = change.path
    if not path:
        raise _wrong("a path has at least one key")
    if change.rename is not None:
        parent = plain.get(data, path[:-1])
        if not isinstance(parent, dict) or path[-1] not in parent:
            raise _wrong("there is no such place", path)
        if change.rename != path[-1] and change.rename in parent:
            raise _wrong(f"there is a '{change.rename}' already", path)
        return renamed_data(data, path, change.rename)
    after: dict[str, object] = (
        plain.without(data, path) if change.value is None else plain.put(data, path, change.value)
    )
    return after


def _changed(text: str, change: Change) -> str:
    if change.rename is not None:
        return renamed_text(text, change.path, change.rename)
    if change.value is None:
        return patch.remove(text, change.path)
    return patch.put(text, change.path, change.value)


def _wrong(message: str, path: Path = ()) -> InputError:
    return InputError([Problem(message, path=".".join(path))])


# --- exactness ----------------------------------------------------------------------------------


def _exact(text: str, wanted: dict[str, object], way: Way) -> str:
    """The text changed by the first way after which it says what is wanted."""
    mark = "\ufeff" if text.startswith("\ufeff") else ""
    text = text.removeprefix("\ufeff")
    refused: InputError | None = None
    for attempt in (
        way,
        lambda text: way(_without_aliases(text)),
        lambda text: _parts_anew(_without_aliases(text), wanted),
        lambda _: "".join(f"{render(key)}: {render(value)}\n" for key, value in wanted.items()),
    ):
        try:
            after = attempt(text)
            said = Document.parse(after, "").data
        except patch.NoWay:
            continue
        except InputError as error:
            refused = error
            continue
        if plain.same(said, wanted):
            return mark + after
    raise refused or _wrong("cannot be written as YAML")


def _without_aliases(text: str) -> str:
    """The text with what each alias stands for in its place, and without anchors."""
    document = Document.parse(text, "")
    spans: dict[int, tuple[int, str]] = {}
    for keys, place in document.places.items():
        if place.style == "alias":
            spans[place.start] = (place.end, render(document.get(keys)))
        elif text.startswith("&", place.start):
            anchor = text[place.start : place.end].split(maxsplit=1)[0]
            spans[place.start] = (place.start + len(anchor), "")
    for start in sorted(spans, reverse=True):
        end, value = spans[start]
        text = text[:start] + value + text[end:]
    return text


def _parts_anew(text: str, wanted: dict[str, object]) -> str:
    """The text with those keys of the file written anew that say something else."""
    said = Document.parse(text, "").data
    for key in said:
        if key not in wanted:
            text = patch.remove(text, (key,))
    for key, value in wanted.items():
        if key not in said or not plain.same(said[key], value):
            text = patch.replace(text, (key,), value)
    return text


# --- rows of lists ------------------------------------------------------------------------------


def append_row(text: str, path: Path, value: object) -> str:
    """The text with one more row at the end of a list.

    Args:
        text: the whole text.
        path: the keys that lead to the list; one that is not there (or is empty) is made.
        value: the row, as plain data.

    Raises:
        InputError: the text is no YAML mapping, or the result cannot be read.
    """
    data = Document.parse(text, "").data
    before = plain.get(data, path)
    rows = before if isinstance(before, list) else []
    wanted = plain.put(data, path, [*rows, value])
    return _exact(text, wanted, lambda text: patch.append(text, path, value))


def append_block(text: str, path: Path, entries: dict[str, Any]) -> str:
    """The text with a new mapping, one entry a line where the text is written so.

    Args:
        text: the whole text.
        path: the keys that lead to the mapping; what stands there is replaced.
        entries: the mapping, as plain data.

    Raises:
        InputError: the text is no YAML mapping, or the result cannot be read.
    """
    wanted = plain.put(Document.parse(text, "").data, path, entries)
    return _exact(text, wanted, lambda text: patch.put(text, path, entries, block=True))


def put_row(text: str, path: Path, place: int, value: object) -> str:
    """Replace one row of a list.

    Args:
        text: the whole text.
        path: the keys that lead to the list.
        place: which row, from 0.
        value: what stands there then, as plain data.

    Returns:
        The text with it.

    Raises:
        IndexError: there is no such row.
        InputError: the text is no YAML mapping, or the result cannot be read.
    """
    data = Document.parse(text, "").data
    rows = _rows(data, path, place)
    wanted = plain.put(data, path, [*rows[:place], value, *rows[place + 1 :]])
    return _exact(text, wanted, lambda text: patch.put(text, (*path, place), value))


def remove_row(text: str, path: Path, place: int) -> str:
    """The text without one row of a list.

    Args:
        text: the whole text.
        path: the keys that lead to the list; the last of them goes too when this was the only row.
        place: which row, from 0.

    Raises:
        IndexError: there is no such row.
        InputError: the text is no YAML mapping, or the result cannot be read.
    """
    data = Document.parse(text, "").data
    rows = _rows(data, path, place)
    if len(rows) == 1:
        return apply(text, [Change(path)])
    wanted = plain.put(data, path, [*rows[:place], *rows[place + 1 :]])
    return _exact(text, wanted, lambda text: patch.remove(text, (*path, place)))


def _rows(data: dict[str, object], path: Path, place: int) -> list[object]:
    rows = plain.get(data, path)
    if not isinstance(rows, list) or not 0 <= place < len(rows):
        raise IndexError(f"{'.'.join(path)} has no row {place}")
    return rows
