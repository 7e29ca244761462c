"""Where everything of a YAML text stands, to the character: what an edit of the text needs.

Unlike the places of `bridge.files.document` this is a tree, and an alias is a node of its own and
not what it stands for.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal

import yaml

from bridge.files.yaml_events import events

_BREAK = re.compile(r"\r\n|[\r\n]")


@dataclass(slots=True)
class Node:
    """A value or a key.

    Attributes:
        kind: what it is.
        start, end: its own characters, an anchor in front included. A block ends with its last
            row, not with the comments that follow; a block text without its last line break.
        line, column: where it starts, from 0.
        flow: a mapping or list within brackets.
        text: what a scalar says; the name that an alias has.
        rows: key and value of a mapping; None and the value for those of a list.
    """

    kind: Literal["scalar", "map", "list", "alias"]
    start: int
    end: int
    line: int
    column: int
    flow: bool = False
    text: str = ""
    rows: list[tuple[Node | None, Node]] = field(default_factory=list)

    def find(self, key: str | int) -> int | None:
        """The row of a key in a mapping, or of a place in a list; None when there is none."""
        if self.kind == "list" and isinstance(key, int):
            return key if 0 <= key < len(self.rows) else None
        if self.kind != "map":
            return None
        for place, (name, _) in enumerate(self.rows):
            if name is not None and name.text == key:
                return place
        return None


def layout(text: str) -> Node:
    """The tree of a text that `bridge.files.document` reads without a complaint."""
    found = events(text)
    for event in found:
        if isinstance(event, yaml.DocumentStartEvent):
            return _node(text, next(found), found)
    raise AssertionError("a text that was read has a document")


def _node(text: str, event: yaml.Event, rest: Iterator[yaml.Event]) -> Node:
    start, end = event.start_mark, event.end_mark
    assert start is not None
    assert end is not None
    at = (start.index, end.index, start.line, start.column)
    if isinstance(event, yaml.AliasEvent):
        return Node("alias", *at, text=event.anchor or "")
    if isinstance(event, yaml.ScalarEvent):
        node = Node("scalar", *at, text=event.value)
        if event.style in ("|", ">"):
            last = list(_BREAK.finditer(text, node.start, node.end))
            if last and last[-1].end() == node.end:
                node.end = last[-1].start()
        return node
    node = Node("map" if isinstance(event, yaml.MappingStartEvent) else "list", *at)
    node.flow = bool(getattr(event, "flow_style", False))
    for inner in rest:
        if isinstance(inner, yaml.MappingEndEvent | yaml.SequenceEndEvent):
            if node.flow and inner.end_mark is not None:
                node.end = inner.end_mark.index
            elif node.rows:
                node.end = node.rows[-1][1].end
            return node
        key = None
        if node.kind == "map":
            key = _node(text, inner, rest)
            inner = next(rest)
        node.rows.append((key, _node(text, inner, rest)))
    raise AssertionError("every collection ends")


def line_start(text: str, index: int) -> int:
    """The first character of the line that `index` stands in."""
    return max(text.rfind("\n", 0, index), text.rfind("\r", 0, index)) + 1


def line_end(text: str, index: int) -> int:
    """The line break that ends the line of `index`, or the end of the text."""
    found = _BREAK.search(text, index)
    return len(text) if found is None else found.start()


def next_line(text: str, index: int) -> int:
    """The first character of the line after that of `index`, or the end of the text."""
    found = _BREAK.search(text, index)
    return len(text) if found is None else found.end()


def line_break(text: str) -> str:
    """How the lines of a text end."""
    found = _BREAK.search(text)
    return "\n" if found is None else found[0]
