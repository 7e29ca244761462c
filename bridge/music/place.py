"""Where a renderer stands, as plain data for a file, and back.

Lists and mappings are written as lists that begin with what they are, so that JSON carries them
without loss. What comes out of a file is trusted for nothing: it is bounded before it is used, and
a renderer that was put there must give the very same data back.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, is_dataclass, replace
from fractions import Fraction
from typing import Any

from bridge.music.comparators import Looked
from bridge.music.event import Event
from bridge.music.gate_functions import (
    ArmedGate,
    CountedGate,
    DelayedGate,
    Gate,
    TimedGate,
    TurnedGate,
)
from bridge.music.gates import GatesState
from bridge.music.hits import PatternState
from bridge.music.line import Piece
from bridge.music.logic import LogicState
from bridge.music.logic_functions import Bits, Counted, Silence, Times, Turned, Waiting
from bridge.music.logic_parse import Term
from bridge.music.logic_tree import ExpressionState
from bridge.music.mix import MixerState
from bridge.music.node import Change, Feel, Hit
from bridge.music.pace import PacingState
from bridge.music.pattern import CursorState
from bridge.music.render import Mark, Renderer, Stood
from bridge.music.score import Score
from bridge.music.ticks import Bend, Groove
from bridge.music.value_states import (
    CycleState,
    DecayState,
    DriftState,
    SampleDue,
    SamplesState,
    SampleState,
    Start,
    StepsState,
    ValueState,
    WalkState,
)

FORMAT = 1
MOST = 200_000
"""Values in one place; a dense set of a hundred lanes has a tenth of it."""
DEEPEST = 12
LONG_AGO, LAST = -(1 << 40), 1 << 40
"""Whole numbers are ticks or counts: ours stay far within, and `LONG_AGO` itself means never."""
EARLIEST = -(1 << 20)
_SHAPES = (KeyError, TypeError, IndexError, AttributeError, AssertionError, ArithmeticError)
"""What other data than ours leads to."""
_ENDLESS = {"inf": math.inf, "-inf": -math.inf}


def plain(stood: object) -> dict[str, Any] | None:
    """
    Where a renderer stood.

    Args:
        stood: what its `Renderer.place` gave, now or some time ago.

    Returns:
        Data that JSON carries, for `stand`; None where it is too much to keep, or holds what cannot
        be written.
    """
    assert isinstance(stood, Stood)
    nodes, hand, form = stood.mark.nodes
    pen = _Pen()
    try:
        made = {
            "format": FORMAT,
            "position": stood.position,
            "going": pen.write(stood.going),
            "grid": stood.mark.tick,
            "form": form,
            "hand": pen.write(hand),
            "nodes": [[place, pen.write(_lean(carry))] for place, carry in nodes.items()],
            "mixer": pen.write(tuple(stood.mark.mixer)),
            "waiting": pen.write(stood.mark.waiting),
        }
    except TypeError:
        return None  # recording never ends the music
    return made if pen.count <= MOST else None


def stand(renderer: Renderer, data: Any) -> None:
    """
    Stand where `plain` found a renderer of the same score.

    Args:
        renderer: it is moved; where the data are refused it is of no use any more.
        data: what `plain` gave, or anything that came out of a file: it is trusted for nothing.

    Raises:
        ValueError: this is no such data, or of another version, or of another score.
    """
    try:
        if data["format"] != FORMAT:
            raise ValueError(f"it is of version {data['format']!r}, not {FORMAT}")
        renderer.stand(_stood(renderer.score, data))
        if plain(renderer.place) != data:
            raise ValueError("it does not fit")
    except (*_SHAPES, ValueError) as error:
        raise ValueError(f"this is no place of this set: {error}") from None


def _stood(score: Score, data: Mapping[str, Any]) -> Stood:
    form = data["form"]
    if form is not None and not 0 <= form < len(score.variants):
        raise ValueError("it stands in a section that is not there")
    terms = score.form(form).terms
    pen = _Pen()
    nodes = {place: pen.read(carry, terms.get(place)) for place, carry in data["nodes"]}
    mixer = MixerState(*pen.read(data["mixer"]))
    kept = (nodes, pen.read(data["hand"]), form)
    grid, position = _whole(data["grid"]), _whole(data["position"])
    return Stood(
        position, Mark(grid, kept, mixer, pen.read(data["waiting"])), pen.read(data["going"])
    )


def _whole(value: Any) -> int:
    if type(value) is not int or (value != LONG_AGO and not EARLIEST <= value <= LAST):
        raise ValueError(f"{value!r} is out of reach")
    return value


def _lean(carry: object) -> object:
    """What of a node's state says anything: a lane of values that stands still, as nobody asks for
    it, is its twin."""
    if not isinstance(carry, ValueState):
        return carry
    samples = carry.samples
    if samples is not None and samples.twin is not None:
        twin = _lean(samples.twin)
        assert isinstance(twin, ValueState)
        if not samples.runs:
            return _Still(twin)
        samples = replace(samples, twin=twin)
    return replace(carry, pieces=_Flat(carry.pieces), heard=_Flat(carry.heard), samples=samples)


class _Flat(list[Piece]):
    """The pieces of a line: written as one row of numbers, for there are many."""


@dataclass(frozen=True, slots=True)
class _Still:
    """A node that stands still beside its twin."""

    twin: ValueState

    def whole(self) -> ValueState:
        twin = self.twin
        if not isinstance(twin, ValueState):
            raise TypeError("a lane of values has another twin")
        samples = SamplesState(0, 0, 0, [], None, runs=False, twin=twin)
        return ValueState([], [], 0.0, [], twin.notes, twin.lag, samples=samples)


PIECE = 4
_NAMED: Mapping[str, Callable[..., Any]] = {
    kind.__name__: kind
    for kind in (
        *(ArmedGate, Bend, Bits, Change, Counted, CountedGate, CursorState, CycleState, DecayState),
        *(DelayedGate, DriftState, Event, ExpressionState, Feel, Gate, GatesState, Groove, Hit),
        *(LogicState, Looked, PacingState, PatternState, SampleDue, SampleState, SamplesState),
        *(Silence, Start, StepsState, TimedGate, Times, Turned, TurnedGate, ValueState, Waiting),
        *(WalkState, _Still),
    )
}
_FIELDS = {kind: [f.name for f in fields(kind)] for kind in _NAMED.values() if is_dataclass(kind)}


class _Pen:
    """Writes values as JSON has them, and reads them; both count."""

    def __init__(self) -> None:
        self.count = 0

    def write(self, value: Any) -> Any:
        self.count += 1
        if value is None or isinstance(value, bool | int | str):
            return value
        write = self.write
        if isinstance(value, float):
            return value if math.isfinite(value) else ["float", str(value)]
        if isinstance(value, dict):
            return ["dict", *([write(key), write(entry)] for key, entry in value.items())]
        if isinstance(value, frozenset):
            return ["set", *map(write, sorted(value))]
        if isinstance(value, _Flat):
            numbers = [number for piece in value for number in piece]
            self.count += len(numbers)
            if not all(map(math.isfinite, numbers)):
                raise TypeError("a line has no end")
            return ["line", *numbers]
        if (names := _FIELDS.get(type(value))) is not None:
            return [type(value).__name__, *(write(getattr(value, name)) for name in names)]
        if isinstance(value, list):
            return ["list", *map(write, value)]
        if isinstance(value, tuple):
            name = type(value).__name__
            return ["tuple" if name not in _NAMED else name, *map(write, value)]
        if isinstance(value, Fraction):
            return ["ratio", value.numerator, value.denominator]
        if isinstance(value, Term):
            return ["term"]
        raise TypeError(f"a place holds {value!r}")

    def read(self, value: Any, term: Term | None = None, depth: int = 0) -> Any:
        self.count += 1
        if self.count > MOST or depth > DEEPEST:
            raise ValueError("it holds too much")
        if value is None or isinstance(value, bool | str):
            return value
        if isinstance(value, int):
            return _whole(value)
        if isinstance(value, float):
            if not math.isfinite(value):
                raise ValueError("a number has no end")
            return value
        kind, *parts = value
        if kind == "ratio":
            ratio = Fraction(_whole(parts[0]), _whole(parts[1]))
            if ratio < 1:  # a step: below this a node would not get on
                raise ValueError("a step is too short")
            return ratio
        if kind == "float":
            return _ENDLESS[parts[0]]
        if kind == "term":
            return term
        if kind == "dict":
            return {
                self.read(key, None, depth + 1): self.read(entry, term, depth + 1)
                for key, entry in parts
            }
        entries = [self.read(part, term, depth + 1) for part in parts]
        if kind == "list":
            return entries
        if kind == "line":
            return [Piece(*piece) for piece in zip(*(iter(entries),) * PIECE, strict=True)]
        if kind == "tuple":
            return tuple(entries)
        if kind == "set":
            return frozenset(entries)
        if kind == GatesState.__name__:
            return GatesState(**dict(zip(_FIELDS[GatesState], entries, strict=True)))
        made = _NAMED[kind](*entries)
        return made.whole() if isinstance(made, _Still) else made
