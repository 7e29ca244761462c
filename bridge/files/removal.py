"""Removing a lane, a macro or a section that others still name: refused, or done with all that
cannot be without it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from bridge.errors import InputError, Problem
from bridge.files import edit
from bridge.files.document import Document
from bridge.files.set_check import kind_written
from bridge.music.references import BY_KEYS, Reference, is_led

Place = tuple[str, str]  # ("lanes", "kick")
WHATS = {"lanes": "lane", "macros": "macro", "sections": "section"}


def still_named(text: str, gone: Iterable[Place]) -> list[Problem]:
    """What in a text names things that are gone from it, with line and column.

    Args:
        text: the text of a set, without them.
        gone: the lanes, macros and sections that were taken out.

    Raises:
        InputError: the text is no YAML mapping.
    """
    found: list[Problem] = []
    for kind, name in gone:
        for where, line, column in edit.references(text, (kind, name)):
            path = ".".join(key for key in where if key not in ("[]", "!"))
            found.append(
                Problem(
                    f"needs the {WHATS[kind]} {name!r}, which is removed",
                    path,
                    line=line,
                    column=column,
                )
            )
    return found


def without(text: str, gone: Iterable[Place]) -> tuple[str, list[str]]:
    """The text without these things, and without what names them: lanes that are made of them go
    too, others lose what they say of them (a lane that was moved by a lane gone goes by the clock
    again).

    Args:
        text: the text of a set.
        gone: the lanes, macros and sections to take out.

    Returns:
        The text, and what went along without having been asked for, as ``lanes.spray``.

    Raises:
        InputError: the text is no YAML mapping.
    """
    waiting, done, also = list(gone), set[Place](), list[str]()
    asked = set(waiting)
    while waiting:
        place = waiting.pop(0)
        if place in done:
            continue
        done.add(place)
        if place not in asked:
            also.append(".".join(place))
        text = edit.apply(text, [edit.Change(place)])
        while found := edit.references(text, place):
            where = found[0][0]
            named_by = BY_KEYS.get(where[2:]) if where[0] == "lanes" else None
            if named_by is not None and named_by.essential:
                other = (where[0], where[1])
                waiting.append(other)
                text = edit.apply(text, [edit.Change(other)])
            else:
                text = edit.apply(text, [_unsaid(text, where, place[1])])
                if where[0] == "lanes" and _feels_nothing(text, where[1]):
                    text = edit.apply(text, [edit.Change((*where[:2], "feel"))])
    return text, also


def _feels_nothing(text: str, name: str) -> bool:
    """Whether a lane says whose feel it has, and no lane leads it any more."""
    lanes = Document.parse(text, "").data["lanes"]
    lane = lanes.get(name)
    if not isinstance(lane, dict) or "feel" not in lane:
        return False

    def names(reference: Reference) -> bool:
        value: object = lane
        for key in reference.keys:
            value = value.get(key) if isinstance(value, dict) else None
        return isinstance(value, str) and (reference.essential or value in lanes)

    return not is_led(kind_written(lane), names)


def _unsaid(text: str, where: edit.Path, name: str) -> edit.Change:
    """The change that takes one mention of `name` away."""
    if "[]" in where:  # a row: play, drives, order
        path = where[: where.index("[]")]
        value: Any = Document.parse(text, "").data
        for key in path:
            value = value[key]
        return edit.Change(path, [row for row in (_left(row, name) for row in value) if row])
    if where[-1] == "!":
        where = where[:-1]
    if where[:1] == ("sections",) and _only(text, where):
        # A section that says nothing else would be gone with its last key, and the order with it.
        return edit.Change(where[:2], {"macros": {}})
    return edit.Change(where)


def _left(row: object, name: str) -> object:
    """What is left of a row without a name; nothing where it cannot be without it. An entry of the
    order that has one section left to choose plays that one, as long as it did."""
    if not isinstance(row, dict):
        return None if row == name else row
    if name in (row.get("lane"), row.get("section")):
        return None
    choose = row.get("choose")
    if not isinstance(choose, dict) or name not in choose:
        return row
    rest = {section: weight for section, weight in choose.items() if section != name}
    if len(rest) > 1:
        return {**row, "choose": rest}
    others = {key: value for key, value in row.items() if key != "choose"}
    if others.get("bars") == "open":
        others.pop("times", None)
    return {"section": next(iter(rest)), **others} if rest else None


def _only(text: str, where: edit.Path) -> bool:
    """Whether a section says nothing else than what stands at a path."""
    inside: object = Document.parse(text, "").data[where[0]][where[1]]
    for key in where[2:]:
        if not isinstance(inside, dict) or len(inside) != 1:
            return False
        inside = inside[key]
    return True


def refuse(problems: list[Problem]) -> None:
    """Refuse when there are any.

    Raises:
        InputError: with all of them.
    """
    if problems:
        raise InputError(problems)
