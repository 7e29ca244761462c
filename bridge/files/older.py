"""Spellings that are still read, and what is written today: one thing has one name.

A set that was written before plays as it did. `lanebridge check` says what to write instead, and
`check --rewrite` writes it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from bridge.errors import Problem
from bridge.files import edit
from bridge.files.document import Document, Keys
from bridge.files.edit import Change
from bridge.files.set_values import read_rate, read_spacing
from bridge.files.yaml_text import render

SPELLINGS: Mapping[str, tuple[str, str]] = {
    "advance": ("advance: 1/8", "`rate: 1/8`; `advance` names a lane"),
    "retrigger": ("retrigger: kick", "`reset: kick`"),
    "spacing": ("spacing: accelerating", "`repeat_curve: 0.5`; `slowing` is -0.5, `even` 0"),
    "notes": ("[A1, ~, C2]", "`[A1, ., C2]`: a rest among notes or levels is a point"),
}
"""What is read for a while yet, and what it is written as, by the key that it stands at."""
OLDER_KEYS = ("retrigger", "spacing")
"""Keys of a lane that are older spellings as a whole."""


@dataclass(frozen=True, slots=True)
class Older:
    """One older spelling: where it stands, what is said of it, and what puts it right: changes by
    path, or the `rows` of the list there that become rests."""

    keys: Keys
    says: str
    changes: tuple[Change, ...] = ()
    rows: tuple[int, ...] = ()


def older(data: object) -> Iterator[Older]:
    """Every older spelling in the plain data of a set."""
    for path, lane in _lanes(data):
        yield from _of_lane(path, lane)


def notes_of(document: Document) -> Iterator[Problem]:
    """What `check` says of them, each at its place."""
    for one in older(document.data):
        yield document.problem(one.keys, one.says, at_key=not one.rows)


def rewritten(text: str, data: object) -> str:
    """The text with each of them as it is written today; all else stays as it is.

    Args:
        text: the text of a set.
        data: its plain data.
    """
    found = list(older(data))
    for one in found:
        for row in one.rows:
            text = edit.put_row(text, _path(one.keys[:-1]), row, ".")
    for one in found:
        text = edit.apply(text, one.changes)
    return text


def _lanes(data: object) -> Iterator[tuple[tuple[str, ...], Mapping[str, Any]]]:
    """Each lane as the set and as its sections write it, with its path."""
    if not isinstance(data, Mapping):
        return
    places: list[tuple[tuple[str, ...], object]] = [((), data)]
    sections = data.get("sections")
    if isinstance(sections, Mapping):
        places += [(("sections", str(name)), one) for name, one in sections.items()]
    for path, place in places:
        lanes = place.get("lanes") if isinstance(place, Mapping) else None
        for name, lane in lanes.items() if isinstance(lanes, Mapping) else ():
            if isinstance(lane, Mapping):
                yield (*path, "lanes", str(name)), lane


def _of_lane(path: tuple[str, ...], lane: Mapping[str, Any]) -> Iterator[Older]:
    value = lane.get("advance")
    if isinstance(value, str) and "rate" not in lane and _is_rate(value):
        yield _renamed(path, "advance", "rate", str(value))
    value = lane.get("retrigger")
    if isinstance(value, str) and "reset" not in lane:
        yield _renamed(path, "retrigger", "reset", str(value))
    value = lane.get("spacing")
    if value is not None and "repeat_curve" not in lane:
        with suppress(ValueError):  # else it is wrong, and said to be
            yield _renamed(path, "spacing", "repeat_curve", read_spacing(value))
    for key in ("notes", "levels"):
        rows = lane.get(key)
        if isinstance(rows, Sequence) and not isinstance(rows, str):
            rests = tuple(place for place, row in enumerate(rows) if row is None)
            if rests:
                says = "is an older spelling of a rest; write ."
                yield Older((*path, key, rests[0]), says, rows=rests)


def _renamed(path: tuple[str, ...], key: str, now: str, value: object) -> Older:
    changes = Change((*path, key), None), Change((*path, now), value)
    return Older((*path, key), f"is an older spelling; write {now}: {render(value)}", changes)


def _is_rate(text: str) -> bool:
    try:
        read_rate(text)
    except ValueError:
        return False
    return True


def _path(keys: Keys) -> tuple[str, ...]:
    return tuple(str(key) for key in keys)
