"""What in a set names a lane, a macro or a section: found, and given another name."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from bridge.files import patch
from bridge.files.document import Document
from bridge.files.layout import Node, layout
from bridge.files.yaml_text import render
from bridge.music.references import BY_KEYS

Path = tuple[str, ...]


def references(text: str, path: Path) -> list[tuple[Path, int, int]]:
    """What in the text names the lane, macro or section that `path` leads to: paths (with ``"[]"``
    for rows, and ``"!"`` last where it is a key), each with line and column, from 1. Raises
    `InputError` when the text is no YAML mapping."""
    document = Document.parse(text, "")
    found = []
    for keys, where, said in _scalars(document.data, (), ()):
        if where[-1] == "!":
            place = document.places[keys]
            at = (place.key_line, place.key_column)
        else:
            place = document.places[keys]
            at = (place.line, place.column)
        if where != path and _called(where, said, path, "") is not None:
            found.append((where, *at))
    return found


def renamed_data(data: dict[str, object], path: Path, new: str) -> dict[str, object]:
    """The plain data of a set in which what `path` leads to is called `new`."""
    found: dict[str, object] = _renamed(data, (), path, new)
    return found


def _renamed(value: Any, where: Path, path: Path, new: str) -> Any:
    if isinstance(value, dict):
        return {
            _name((*where, key, "!"), key, path, new): _renamed(inner, (*where, key), path, new)
            for key, inner in value.items()
        }
    if isinstance(value, list):
        return [_renamed(inner, (*where, "[]"), path, new) for inner in value]
    if isinstance(value, str):
        called = _called(where, value, path, new) if len(path) == 2 else None
        return value if called is None else called
    return value


def _name(where: Path, key: str, path: Path, new: str) -> str:
    if where == (*path, "!"):
        return new
    called = _called(where, key, path, new) if len(path) == 2 else None
    return key if called is None else called


def renamed_text(text: str, path: Path, new: str) -> str:
    """The text in which what `path` leads to is called `new`, wherever it is named.

    Raises:
        patch.NoWay: an alias stands where it may be named.
    """
    spans = []
    for where, node in _nodes(layout(text), ()):
        if node.kind == "alias":
            raise patch.NoWay
        if where == (*path, "!"):
            spans.append((node.start, node.end, render(new)))
        elif len(path) == 2 and (called := _called(where, node.text, path, new)) is not None:
            spans.append((node.start, node.end, _written(text, node, path, new, called)))
    for start, end, said in sorted(spans, reverse=True):
        text = text[:start] + said + text[end:]
    return text


def _written(text: str, node: Node, path: Path, new: str, called: str) -> str:
    """A scalar that says `called` now, written as it was where that can be."""
    written = text[node.start : node.end]
    old = path[1]
    if render(new) == new:
        if written.strip("'\"") == old:
            return written.replace(old, new)
        if written[:1] in ("|", ">"):  # a block text: its first line may have a comment
            head, line, said = written.partition("\n")
            return head + line + _swapped(old, new, said)
        if node.text != old:  # an expression: its quotes and lines stay
            return _swapped(old, new, written)
    return render(called)


def _swapped(old: str, new: str, text: str) -> str:
    """An expression with another name in it. A function may be called like a lane; it has a
    parenthesis behind it."""
    return re.sub(rf"(?<![\w-]){re.escape(old)}(?![\w-]|\s*\()", lambda _: new, text)


def _nodes(node: Node, where: Path) -> Iterator[tuple[Path, Node]]:
    """Every scalar and alias with its path; keys have the path of their value, plus ``"!"``."""
    if node.kind in ("scalar", "alias"):
        yield where, node
    for key, value in node.rows:
        if key is None:
            yield from _nodes(value, (*where, "[]"))
        else:
            yield (*where, key.text, "!"), key
            yield from _nodes(value, (*where, key.text))


def _scalars(
    value: object, keys: tuple[str | int, ...], where: Path
) -> Iterator[tuple[tuple[str | int, ...], Path, str]]:
    """The same of plain data: the real path, the path as `references` has it, and the text."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield (*keys, key), (*where, key, "!"), key
            yield from _scalars(inner, (*keys, key), (*where, key))
    elif isinstance(value, list):
        for place, inner in enumerate(value):
            yield from _scalars(inner, (*keys, place), (*where, "[]"))
    elif isinstance(value, str):
        yield keys, where, value


def _called(where: Path, said: str, path: Path, new: str) -> str | None:
    """What a scalar says when what `path` leads to is called `new`; None: it does not name it."""
    rule = {"lanes": _of_lane, "macros": _of_macro, "sections": _of_section}.get(path[0])
    return None if rule is None or len(path) != 2 else rule(where, said, path[1], new)


def _of_lane(where: Path, said: str, old: str, new: str) -> str | None:
    match where:
        case ("lanes", _, *keys) | ("sections", _, "lanes", _, *keys) if (
            found := BY_KEYS.get(tuple(keys))
        ) is not None:
            if found.takes != "expression":
                return new if said == old else None
            changed = _swapped(old, new, said)
            return changed if changed != said else None
        case ("sections", _, "lanes", name, "!") if name == old:
            return new
        case ("lanes" | "macros", _, "drives", "[]", "lane") | ("sections", _, "play", "[]"):
            return new if said == old else None
    return None


def _of_macro(where: Path, said: str, old: str, new: str) -> str | None:
    match where:
        case ("sections", _, "macros", name, "!") if name == old:
            return new
    return None


def _of_section(where: Path, said: str, old: str, new: str) -> str | None:
    match where:
        case ("order", "[]", "section") | ("order", "[]", "choose", _, "!") if said == old:
            return new
    return None
