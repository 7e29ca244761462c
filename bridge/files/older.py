"""Spellings that are still read, and what is written today: one thing has one name.

A set, a rig or a profile that was written before is read as it was. `lanebridge check` (`profile
check` for a profile) says what to write instead, and `check --rewrite` writes it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass

from bridge.errors import Problem
from bridge.files import edit
from bridge.files.document import Document, Keys
from bridge.files.edit import Change
from bridge.files.profile import RENAMED
from bridge.files.rig import OLDER_MOVES
from bridge.files.set_values import read_rate, read_spacing
from bridge.files.yaml_text import render
from bridge.music.logic_parse import OLDER_FUNCTIONS

SPELLINGS: Mapping[str, tuple[str, str]] = {
    "advance": ("advance: 1/8", "`rate: 1/8`; `advance` names a lane"),
    "retrigger": ("retrigger: kick", "`reset: kick`"),
    "spacing": ("spacing: accelerating", "`repeat_curve: 0.5`; `slowing` is -0.5, `even` 0"),
    "still": ("still: true", "`freeze: true`"),
    "tap": ("tap: before-mute", "`reads: before-mute`"),
    "by": ("by: gates (a lane)", "`compare: gates`"),
    "hold": ("hold: {value: swell, by: rim}", "`sample: {value: swell, at: rim}`"),
    "logic": ("hold(a, 1/8), latch(a, b)", "`extend(a, 1/8)`, `between(a, b)`"),
    "says": ("says: two gates (a profile)", "`description: two gates`"),
    "all-out": ("transport: all-out (a rig)", "`transport: mute-all`"),
    "fine": ("fine: true (a rig)", "`pair: true`"),
    "notes": ("[A1, ~, C2]", "`[A1, ., C2]`: a rest among notes or levels is a point"),
}
"""What is read for a while yet, and what it is written as, by the key that it stands at."""
_RENAMED_KEYS = {"retrigger": "reset", "still": "freeze", "tap": "reads", "by": "compare"}
OLDER_KEYS = ("retrigger", "spacing")
"""Keys of a lane that are older spellings as a whole."""


@dataclass(frozen=True, slots=True)
class Older:
    """One older spelling: where it stands, what is said of it, and what puts it right: changes by
    path, or rows of lists: the path of the list, the place in it, and what stands there then.
    `at_key`: it is the key that is older, and not what stands there."""

    keys: Keys
    says: str
    changes: tuple[Change, ...] = ()
    rows: tuple[tuple[tuple[str, ...], int, object], ...] = ()
    at_key: bool = True


Finds = Callable[[object], Iterator[Older]]
"""What finds the older spellings in the plain data of one kind of file."""


def older(data: object) -> Iterator[Older]:
    """Every older spelling in the plain data of a set."""
    for path, lane in _lanes(data):
        yield from _of_lane(path, lane)


def of_rig(data: object) -> Iterator[Older]:
    """Every older spelling in the plain data of a rig."""
    for name, one in _named(data, "interfaces"):
        profile = one.get("profile")
        if isinstance(profile, str) and profile in RENAMED:
            path, now = ("interfaces", name, "profile"), RENAMED[profile]
            yield Older(path, _older_value(now), (Change(path, now),), at_key=False)
    for name, one in _named(data, "controllers"):
        controls = one.get("controls")
        for place, control in enumerate(controls if isinstance(controls, list) else ()):
            if not isinstance(control, Mapping):
                continue
            if "fine" in control and "pair" not in control:
                paired = {("pair" if key == "fine" else key): said for key, said in control.items()}
                path = ("controllers", name, "controls")
                says = "is an older spelling; write pair"
                yield Older((*path, place, "fine"), says, rows=((path, place, paired),))
            move = control.get("transport")
            if isinstance(move, str) and move in OLDER_MOVES:
                now, path = OLDER_MOVES[move], ("controllers", name, "controls")
                row = path, place, {**control, "transport": now}
                says = _older_value(now)
                yield Older((*path, place, "transport"), says, rows=(row,), at_key=False)


def of_profile(data: object) -> Iterator[Older]:
    """Every older spelling in the plain data of a profile."""
    if isinstance(data, Mapping) and isinstance(data.get("says"), str):
        yield _renamed((), "says", "description", data["says"])
    for name, one in _named(data, "outputs"):
        if isinstance(one.get("says"), str):
            yield _renamed(("outputs", name), "says", "description", one["says"])


def _named(data: object, key: str) -> Iterator[tuple[str, Mapping[str, object]]]:
    """What stands by name under a key of a file."""
    found = data.get(key) if isinstance(data, Mapping) else None
    for name, one in found.items() if isinstance(found, Mapping) else ():
        if isinstance(one, Mapping):
            yield str(name), one


def notes_of(document: Document, finds: Finds = older) -> Iterator[Problem]:
    """What `check` says of older spellings, each at its place.

    Args:
        document: a set, or what `finds` reads.
        finds: what finds them: `older` in sets, `of_rig` in rigs, `of_profile` in profiles.
    """
    for one in finds(document.data):
        yield document.problem(one.keys, one.says, at_key=one.at_key)


def rewritten(text: str, data: object, finds: Finds = older) -> str:
    """The text with each of them as it is written today; all else stays as it is.

    Args:
        text: the text of a set, or of what `finds` reads.
        data: its plain data.
        finds: what finds them.
    """
    found = list(finds(data))
    for one in found:
        for path, place, value in one.rows:
            text = edit.put_row(text, path, place, value)
    for one in found:
        text = edit.apply(text, one.changes)
    return text


def _lanes(data: object) -> Iterator[tuple[tuple[str, ...], Mapping[str, object]]]:
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


def _of_lane(path: tuple[str, ...], lane: Mapping[str, object]) -> Iterator[Older]:
    value = lane.get("advance")
    if isinstance(value, str) and "rate" not in lane and _is_rate(value):
        yield _renamed(path, "advance", "rate", str(value))
    for key, now in _RENAMED_KEYS.items():
        value = lane.get(key)
        if isinstance(value, str | bool) and now not in lane:
            yield _renamed(path, key, now, value)
    held = lane.get("hold")
    if isinstance(held, Mapping) and "sample" not in lane:
        renamed = {"at" if key == "by" else str(key): said for key, said in held.items()}
        yield _renamed(path, "hold", "sample", renamed)
    sampled = lane.get("sample")
    if isinstance(sampled, Mapping) and "by" in sampled and "at" not in sampled:
        yield _renamed((*path, "sample"), "by", "at", sampled["by"])
    value = lane.get("logic")
    if isinstance(value, str) and (called := functions_renamed(value)) != value:
        yield Older(
            (*path, "logic"),
            _older_value(called),
            (Change((*path, "logic"), called),),
            at_key=False,
        )
    value = lane.get("spacing")
    if value is not None and "repeat_curve" not in lane:
        with suppress(ValueError):  # else it is wrong, and said to be
            yield _renamed(path, "spacing", "repeat_curve", read_spacing(value))
    for key in ("notes", "levels"):
        rows = lane.get(key)
        if isinstance(rows, Sequence) and not isinstance(rows, str):
            at = (*path, key)
            rests = tuple((at, place, ".") for place, row in enumerate(rows) if row is None)
            if rests:
                says = "is an older spelling of a rest; write ."
                yield Older((*at, rests[0][1]), says, rows=rests, at_key=False)


def functions_renamed(expression: str) -> str:
    """An expression with each function called as it is called today."""
    pattern = rf"(?<![\w-])({'|'.join(OLDER_FUNCTIONS)})(?=\s*\()"
    return re.sub(pattern, lambda found: OLDER_FUNCTIONS[found[1]], expression)


def _renamed(path: tuple[str, ...], key: str, now: str, value: object) -> Older:
    # The new one first: a lane that is nothing but this key would go, and come back elsewhere.
    changes = Change((*path, now), value), Change((*path, key), None)
    return Older((*path, key), f"is an older spelling; write {now}: {render(value)}", changes)


def _older_value(now: str) -> str:
    return f"is an older name; write {now}"


def _is_rate(text: str) -> bool:
    try:
        read_rate(text)
    except ValueError:
        return False
    return True
