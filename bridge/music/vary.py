"""Copying, clearing and randomising a lane: what its text says afterwards.

Pure. A lane comes as what is written (`written`, the mapping in the set's text) and, where numbers
are needed, as what it means (`lane`). The answer holds the keys that change: a value, or None for a
key that goes.

Chance is bounded musically: notes stay in key and near where they were, the number of hits of a
step pattern stays, lengths stay, and settings stay where a performer would put them (`BOUNDS`,
common practice, no source). The same seed does the same to the same lane; amount 0 changes nothing.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import accumulate
from types import MappingProxyType
from typing import Any, Literal

from bridge.music import chance
from bridge.music.model import (
    KINDS,
    SETTINGS,
    Degree,
    Euclid,
    Every,
    Lane,
    Levels,
    Note,
    Notes,
    SetSpec,
    Steps,
)
from bridge.music.pattern import steps_text, strength
from bridge.music.scale import Key, degree_text, key_of, parse_degree
from bridge.music.spelling import spelled

What = Literal["pattern", "settings"]
OWN = frozenset({"out", "share", "groups", "muted", "drives"})
"""Keys that say where a lane is and what it is for: never copied."""
SPELT = frozenset({"spacing"})
"""Settings that can be spelt in words under another name."""

BOUNDS: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "chance": (0.4, 1.0),
        "density": (0.3, 0.7),
        "level": (0.4, 1.0),
        "accent": (0.2, 1.0),
        "gate": (0.1, 1.0),
        "humanise_level": (0.0, 0.2),
        "repeats": (1, 3),
        "repeat_curve": (-0.6, 0.6),
        "repeat_ramp": (-0.6, 0.6),
        "slew_ms": (0.0, 250.0),
        "depth": (0.3, 1.0),
        "phase": (0.0, 1.0),
        "decay_ms": (60.0, 1200.0),
        "walk_step": (0.02, 0.4),
        "low": (0.0, 0.4),
        "high": (0.6, 1.0),
    }
)
"""Where chance may put a setting, inside its range. Those that would take a lane out of time, out
of key or out of its output's reach (swing, shift, transpose, offset, hz) are left alone."""
_REACH = 12  # semitones that a note moves at most
_FULLEST = 0.75  # share of steps that chance fills at most, unless there were more


def is_setting(key: str, kind: str) -> bool:
    """Whether a key of a lane's text is one of its numeric settings.

    Args:
        key: as it stands in the text; `spacing` counts as one.
        kind: of the lane, by its name in `KINDS`: the key of its pattern is none.
    """
    return (key in SETTINGS or key in SPELT) and key != kind


def copied(
    source: Mapping[str, object], target: Mapping[str, object], what: What | None = None
) -> dict[str, Any]:
    """What a lane says otherwise when it takes over pattern or settings of another. What it
    drives, and where it goes, stays its own.

    Args:
        source: the other lane, as written.
        target: the lane that takes over, as written; empty for a new one.
        what: pattern or settings; None: both.

    Returns:
        The keys that change, with their values; None for a key that goes.
    """
    kinds = [next((k for k in KINDS if k in lane), "") for lane in (source, target)]

    def wanted(key: str, kind: str) -> bool:
        if key in OWN:
            return False
        return what is None or is_setting(key, kind) == (what == "settings")

    new: dict[str, object] = {key: value for key, value in source.items() if wanted(key, kinds[0])}
    new |= {key: None for key in target if wanted(key, kinds[1]) and key not in new}
    return {key: value for key, value in new.items() if target.get(key) != value}


def cleared(lane: Lane, written: Mapping[str, Any], what: What) -> dict[str, Any]:
    """A pattern of the same length without hits (levels: all 0), or no setting of its own.

    Args:
        lane: as it was read.
        written: the same as plain data, as it stands in the set.
        what: the pattern or the settings.

    Returns:
        The keys that change, with their values; None for a key that goes. A lane of ``every``
        becomes sixteen rests.

    Raises:
        ValueError: the lane has no written pattern.
    """
    if what == "settings":
        return {key: None for key in written if is_setting(key, lane.kind)}
    match lane.source:
        case Euclid():
            kept = {k: v for k, v in written["euclid"].items() if k not in ("fill", "rotate")}
            return {"euclid": {**kept, "hits": 0}}
        case Steps(marks):
            return {"steps": "." * len(marks)}
        case Every():
            return {"steps": "." * 16, "every": None}
        case Notes(notes):
            return {"notes": ["."] * len(notes)}
        case Levels(values):
            return {"levels": [0] * len(values)}
    raise ValueError(f"a lane of {lane.kind} has no written pattern to clear")


def randomised(
    lane: Lane, written: Mapping[str, Any], spec: SetSpec, amount: float, seed: int, what: What
) -> dict[str, Any]:
    """The pattern or the settings moved by chance.

    Args:
        lane: as it was read.
        written: the same as plain data, as it stands in the set.
        spec: the set.
        amount: how far, from 0 (as they are) to 1.
        seed: the same seed moves them the same way.
        what: the pattern or the settings.

    Returns:
        The keys of the lane that are another then, with their values.

    Raises:
        ValueError: the lane has no written pattern.
    """
    stream = chance.key(seed, lane.name, f"vary {what}")
    if what == "settings":
        new: dict[str, object] = dict(_settings(lane, amount, stream))
        if new and "spacing" in written:
            new["spacing"] = None  # `repeat_curve` says it now
        return {key: value for key, value in new.items() if written.get(key) != value}
    match lane.source:
        case Euclid():
            return {"euclid": {**written["euclid"], **_euclid(lane, amount, stream)}}
        case Steps(marks, shapes):
            return {"steps": steps_text(_steps(marks, amount, stream), shapes)}
        case Every(n):
            low, high = max(1, round(n - amount * n)), min(64, round(n + amount * n))
            return {"every": low + chance.pick(stream, 0, 0, high - low + 1)}
        case Notes(notes):
            return {"notes": _notes(lane, notes, written["notes"], spec, amount, stream)}
        case Levels(values):
            return {"levels": _levels(values, written["levels"], amount, stream)}
    raise ValueError(f"a lane of {lane.kind} has no written pattern to move")


def _euclid(lane: Lane, amount: float, stream: int) -> dict[str, int]:
    steps = int(lane.settings.get("steps", SETTINGS["steps"].start))
    hits = int(lane.settings.get("hits", SETTINGS["hits"].start))
    rotate = int(lane.settings.get("rotate", 0))
    reach = round(amount * steps / 2)
    most = max(hits, min(steps, int(_FULLEST * steps)))
    low, high = max(min(hits, 1), hits - reach), min(most, hits + reach)
    by = chance.pick(stream, 0, 1, 2 * reach + 1) - reach
    moved = (rotate + by) % steps if by else rotate
    return {"hits": low + chance.pick(stream, 0, 0, high - low + 1), "rotate": moved}


def _steps(marks: tuple[int, ...], amount: float, stream: int) -> tuple[int, ...]:
    """Hits move to free steps, strong ones rather than weak ones; marks go with them."""
    new = list(marks)
    order = chance.shuffled(stream, 0, len(marks))
    hits = [place for place in order if marks[place]]
    for number, place in enumerate(hits[: round(amount * len(hits))]):
        free = [p for p in range(len(new)) if not new[p]]
        if not free:
            break
        ends = list(accumulate(strength(p, len(new)) ** 0.5 for p in free))
        target = free[
            bisect_right(ends, chance.draw(stream, 1, number) * ends[-1], 0, len(free) - 1)
        ]
        new[place], new[target] = 0, new[place]
    return tuple(new)


def _notes(
    lane: Lane,
    notes: Sequence[Note],
    written: Sequence[object],
    spec: SetSpec,
    amount: float,
    stream: int,
) -> list[object]:
    root, degrees = spec.root, spec.scale
    if lane.quantise is not None:
        root, degrees = lane.quantise.root, lane.quantise.degrees
    pitched = [note.number for note in notes if note.number is not None]
    if not pitched:
        return list(written)
    low, high = min(pitched), max(pitched)
    room = max(0.0, 12 - (high - low)) / 2  # a single note may move by half an octave
    key = key_of(spec)
    scale = [
        number
        for number in range(128)
        if (number - root) % 12 in degrees and low - room <= number <= high + room
    ]
    new: list[object] = []
    for place, (note, said) in enumerate(zip(notes, written, strict=True)):
        if note.degree is not None:
            others = _degrees(note.degree, key, low - room, high + room)
            if others and not note.tie and chance.draw(stream, 0, place) < amount:
                inside = said["note"] if isinstance(said, Mapping) else said
                octave = note.degree.octave - parse_degree(str(inside)).octave
                other = others[chance.pick(stream, 1, place, len(others))]
                text = degree_text(replace(other, octave=other.octave - octave))
                said = {**said, "note": text} if isinstance(said, Mapping) else text
            new.append(said)
            continue
        near = [n for n in scale if note.number is not None and abs(n - note.number) <= _REACH]
        if not near or note.tie or chance.draw(stream, 0, place) >= amount:
            new.append(said)
            continue
        name = spelled(near[chance.pick(stream, 1, place, len(near))], spec)
        new.append({**said, "note": name} if isinstance(said, Mapping) else name)
    return new


def _degrees(degree: Degree, key: Key, low: float, high: float) -> list[Degree]:
    """The unaltered degrees of a key near one, between two note numbers."""
    size = len(key.scale)
    found = []
    for shift in range(-_REACH, _REACH + 1):
        octaves, place = divmod(degree.step - 1 + shift, size)
        other = Degree(place + 1, 0, degree.octave + octaves)
        number = key.note(other)
        if abs(number - key.note(degree)) <= _REACH and low <= number <= high:
            found.append(other)
    return found


def _levels(
    values: Sequence[float | None], written: Sequence[object], amount: float, stream: int
) -> list[object]:
    low = -1.0 if any(value is not None and value < 0 for value in values) else 0.0
    new: list[object] = []
    for place, (value, said) in enumerate(zip(values, written, strict=True)):
        if value is None or amount == 0:
            new.append(said)
            continue
        wish = low + (1.0 - low) * chance.draw(stream, 0, place)
        new.append(round(value + amount * (wish - value), 3))
    return new


def _settings(lane: Lane, amount: float, stream: int) -> dict[str, float]:
    new: dict[str, float] = {}
    for number, (name, (low, high)) in enumerate(BOUNDS.items()):
        setting = SETTINGS[name]
        if lane.kind not in setting.kinds or amount == 0 or (name == "gate" and lane.tie):
            continue
        value = float(lane.settings.get(name, setting.start))
        wish = low + (high - low) * chance.draw(stream, 0, number)
        moved = value + amount * (wish - value)
        moved = float(round(moved)) if setting.whole else round(moved, 3)
        moved = min(max(moved, setting.low), setting.high)
        new[name] = int(moved) if setting.whole else moved
    if new.get("low", -1.0) > new.get("high", 1.0):
        new["low"], new["high"] = new["high"], new["low"]
    return new
