"""Changes to a set's text by path, so that comments, order and layout of the rest stay.

The page edits values, the person edits text; both edit the same file. A change names a path of keys
(``("lanes", "kick", "euclid", "hits")``) and a value, or renames the key it leads to. What the
text then means is for `bridge.files.set` to check; here only the layout matters.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import yaml

from bridge.errors import InputError, Problem
from bridge.files.yaml_text import render
from bridge.music.references import BY_KEYS

Path = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Change:
    """One change. `value` None removes the key; `rename` gives it another name instead (and
    changes what refers to it, for lanes, macros and sections)."""

    path: Path
    value: Any = None
    rename: str | None = None


def apply(text: str, changes: Iterable[Change]) -> str:
    """The text after all changes, made one after another.

    Raises `InputError` when the text is no YAML mapping or a path leads nowhere.
    """
    for change in changes:
        root = _compose(text)
        if not change.path:
            raise _wrong("a path has at least one key")
        if change.rename is not None:
            text = _rename(text, root, change.path, change.rename)
        elif change.value is None:
            text = _remove(text, root, change.path)
        else:
            text = _put(text, root, change.path, change.value)
    return text


def _wrong(message: str, path: Sequence[str] = ()) -> InputError:
    return InputError([Problem(message, path=".".join(path))])


def _compose(text: str) -> yaml.MappingNode:
    try:
        root = yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.YAMLError as error:
        raise _wrong(f"the text is no YAML: {error}") from None
    if not isinstance(root, yaml.MappingNode):
        raise _wrong("a set is a mapping")
    return root


def _index(node: yaml.MappingNode, key: str) -> int | None:
    for i, (name, _) in enumerate(node.value):
        if isinstance(name, yaml.ScalarNode) and name.value == key:
            return i
    return None


def _walk(root: yaml.MappingNode, path: Path) -> yaml.MappingNode | None:
    """The mapping that `path` leads to; None when there is none (yet)."""
    node: yaml.Node = root
    for key in path:
        if not isinstance(node, yaml.MappingNode):
            return None
        i = _index(node, key)
        if i is None:
            return None
        node = node.value[i][1]
    return node if isinstance(node, yaml.MappingNode) else None


def _end(node: yaml.Node) -> int:
    """Where the node's own text ends: a block's end mark stands after the comments that follow."""
    if isinstance(node, yaml.CollectionNode) and not node.flow_style and node.value:
        last = node.value[-1]
        return _end(last[1] if isinstance(last, tuple) else last)
    return int(node.end_mark.index)


def _line_end(text: str, index: int) -> int:
    found = text.find("\n", index)
    return len(text) if found < 0 else found


def _put(text: str, root: yaml.MappingNode, path: Path, value: Any) -> str:
    parent = _walk(root, path[:-1])
    if parent is None:
        if len(path) == 1:
            raise _wrong("there is no such place", path)
        return _put(text, root, path[:-1], {path[-1]: value})
    i = _index(parent, path[-1])
    if i is not None:
        key, old = parent.value[i]
        colon = text.index(":", key.end_mark.index)
        return f"{text[:colon]}: {render(value)}{text[_end(old) :]}"
    entry = f"{render(path[-1])}: {render(value)}"
    if parent.flow_style:
        at = _end(parent.value[-1][1]) if parent.value else parent.end_mark.index - 1
        return text[:at] + (", " if parent.value else "") + entry + text[at:]
    if not parent.value:
        raise _wrong("there is no such place", path)
    at = _line_end(text, _end(parent.value[-1][1]))
    indent = " " * parent.value[0][0].start_mark.column
    return f"{text[:at]}\n{indent}{entry}{text[at:]}"


def _remove(text: str, root: yaml.MappingNode, path: Path) -> str:
    parent = _walk(root, path[:-1])
    i = None if parent is None else _index(parent, path[-1])
    if parent is None or i is None:
        return text  # it is not there: nothing to remove
    if len(parent.value) == 1 and len(path) > 1:
        return _remove(text, root, path[:-1])  # an empty mapping would be read as nothing at all
    key, old = parent.value[i]
    if not parent.flow_style:
        start = text.rfind("\n", 0, key.start_mark.index) + 1
        return text[:start] + text[min(len(text), _line_end(text, _end(old)) + 1) :]
    if i:
        return text[: _end(parent.value[i - 1][1])] + text[_end(old) :]
    after = parent.value[1][0].start_mark.index if len(parent.value) > 1 else _end(old)
    return text[: key.start_mark.index] + text[after:]


# --- rows of lists ------------------------------------------------------------------------------


def append_row(text: str, path: Path, value: Any) -> str:
    """The text with one more row at the end of the list that `path` leads to; a list that is not
    there (or is empty) is made. Raises `InputError` as `apply` does."""
    rows = _rows(text, path)
    if rows is None or not rows.value:
        return _begin_list(text, path, value)
    last = _end(rows.value[-1])
    if rows.flow_style:
        return f"{text[:last]}, {render(value)}{text[last:]}"
    at = _line_end(text, last)
    return f"{text[:at]}\n{' ' * rows.start_mark.column}- {render(value)}{text[at:]}"


def append_block(text: str, path: Path, entries: dict[str, Any]) -> str:
    """The text with a new mapping at `path` (two keys), one entry a line where the text is written
    so. Raises `InputError` as `apply` does."""
    root, lines = _compose(text), [f"{render(k)}: {render(v)}" for k, v in entries.items()]
    parent = _walk(root, path[:-1])
    if root.flow_style or (parent is not None and parent.flow_style):
        return apply(text, [Change(path, entries)])
    if parent is None:
        text = _remove(text, root, path[:-1]).rstrip("\n")  # a key that is there without a value
        return f"{text}\n\n{render(path[0])}:" + "".join(_below(path[1], lines, 2)) + "\n"
    at = _line_end(text, _end(parent.value[-1][1]))
    column = parent.value[0][0].start_mark.column
    return text[:at] + "".join(_below(path[1], lines, column)) + text[at:]


def _below(key: str, lines: list[str], column: int) -> Iterator[str]:
    yield f"\n{' ' * column}{render(key)}:"
    for line in lines:
        yield f"\n{' ' * (column + 2)}{line}"


def _begin_list(text: str, path: Path, value: Any) -> str:
    """A list with its first row, one row a line where the text is written so."""
    text = apply(text, [Change(path, None)])
    parent = _walk(_compose(text), path[:-1])
    if parent is None or parent.flow_style:
        return apply(text, [Change(path, [value])])
    at = _line_end(text, _end(parent.value[-1][1]))
    column = parent.value[0][0].start_mark.column
    return text[:at] + "".join(_below(path[-1], [f"- {render(value)}"], column)) + text[at:]


def put_row(text: str, path: Path, place: int, value: Any) -> str:
    """The text with the row at `place` replaced. IndexError when there is none."""
    row = _row(text, path, place)
    return text[: row.start_mark.index] + render(value) + text[_end(row) :]


def remove_row(text: str, path: Path, place: int) -> str:
    """The text without the row at `place`; the key goes too when it was the last one. IndexError
    when there is none."""
    row = _row(text, path, place)
    rows = _rows(text, path)
    assert rows is not None
    if len(rows.value) == 1:
        return apply(text, [Change(path, None)])
    if not rows.flow_style:
        start = text.rfind("\n", 0, row.start_mark.index) + 1
        return text[:start] + text[min(len(text), _line_end(text, _end(row)) + 1) :]
    if place:
        return text[: _end(rows.value[place - 1])] + text[_end(row) :]
    return text[: row.start_mark.index] + text[rows.value[1].start_mark.index :]


def _rows(text: str, path: Path) -> yaml.SequenceNode | None:
    parent = _walk(_compose(text), path[:-1])
    i = None if parent is None else _index(parent, path[-1])
    node = None if parent is None or i is None else parent.value[i][1]
    return node if isinstance(node, yaml.SequenceNode) else None


def _row(text: str, path: Path, place: int) -> yaml.Node:
    rows = _rows(text, path)
    if rows is None or not 0 <= place < len(rows.value):
        raise IndexError(f"{'.'.join(path)} has no row {place}")
    row: yaml.Node = rows.value[place]
    return row


# --- renaming -----------------------------------------------------------------------------------


def _rename(text: str, root: yaml.MappingNode, path: Path, new: str) -> str:
    parent = _walk(root, path[:-1])
    i = None if parent is None else _index(parent, path[-1])
    if parent is None or i is None:
        raise _wrong("there is no such place", path)
    if new == path[-1]:
        return text
    if _index(parent, new) is not None:
        raise _wrong(f"there is a '{new}' already", path)
    spans = [(parent.value[i][0], render(new))]
    if len(path) == 2:
        spans += [(node, replaced) for _, node, replaced in _references(root, path, new)]
    for node, replaced in sorted(spans, key=lambda span: -int(span[0].start_mark.index)):
        text = text[: node.start_mark.index] + replaced + text[node.end_mark.index :]
    return text


def references(text: str, path: Path) -> list[tuple[Path, int, int]]:
    """What in the text names the lane, macro or section that `path` leads to: paths (with ``"[]"``
    for rows, and ``"!"`` last where it is a key), each with line and column, from 1."""
    return [
        (where, node.start_mark.line + 1, node.start_mark.column + 1)
        for where, node, _ in _references(_compose(text), path, "")
    ]


def _references(
    root: yaml.MappingNode, path: Path, new: str
) -> list[tuple[Path, yaml.ScalarNode, str]]:
    """Every scalar that names what `path` leads to, with what it is called under the name `new`."""
    rule = {
        "lanes": _refers_to_lane,
        "macros": _refers_to_macro,
        "sections": _refers_to_section,
    }.get(path[0])
    if rule is None:
        return []
    return [
        (where, node, replaced)
        for where, node in _scalars(root, ())
        if where != path and (replaced := rule(where, node, path[1], new)) is not None
    ]


def _scalars(node: yaml.Node, where: Path) -> Iterator[tuple[Path, yaml.ScalarNode]]:
    """Every scalar with its path; keys have the path of their value, plus ``"!"``."""
    if isinstance(node, yaml.ScalarNode):
        yield where, node
    elif isinstance(node, yaml.SequenceNode):
        for item in node.value:
            yield from _scalars(item, (*where, "[]"))
    elif isinstance(node, yaml.MappingNode):
        for key, value in node.value:
            name = str(key.value)
            if isinstance(key, yaml.ScalarNode):
                yield (*where, name, "!"), key
            yield from _scalars(value, (*where, name))


def _refers_to_lane(where: Path, node: yaml.ScalarNode, old: str, new: str) -> str | None:
    match where:
        case ("lanes", _, *keys) | ("sections", _, "lanes", _, *keys) if (
            found := BY_KEYS.get(tuple(keys))
        ) is not None:
            if found.takes != "expression":
                return render(new) if node.value == old else None
            # A function may be called like a lane; it has a parenthesis behind it.
            changed = re.sub(rf"(?<![\w-]){re.escape(old)}(?![\w-]|\s*\()", new, node.value)
            return render(changed) if changed != node.value else None
        case ("sections", _, "lanes", name, "!") if name == old:
            return render(new)
        case ("lanes" | "macros", _, "drives", "[]", "lane") | ("sections", _, "play", "[]"):
            pass
        case _:
            return None
    return render(new) if node.value == old else None


def _refers_to_macro(where: Path, node: yaml.ScalarNode, old: str, new: str) -> str | None:
    match where:
        case ("sections", _, "macros", name, "!") if name == old:
            return render(new)
    return None


def _refers_to_section(where: Path, node: yaml.ScalarNode, old: str, new: str) -> str | None:
    match where:
        case ("order", "[]", "section") | ("order", "[]", "choose", _, "!") if node.value == old:
            return render(new)
    return None
