"""What refers to a lane: the keys that name another one. Also the keys of some kinds only."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from bridge.music.kinds import KINDS, Takes, kinds_with

_KEY_TRAITS = MappingProxyType(
    {
        "direction": "pattern",
        "reset": "reset",
        "compare": "logic",
        "reads": "reading",
        "accents": "hits",
        "passes": "hits",
        "spacing": "hits",
        "freeze": "pattern",
        "quantise": "pitched",
        "chord": "pitched",
        "octaves": "pitched",
        "octave": "notes",
        "transpose_by": "pitched",
        "drives": "values",
    }
)
LANE_KEYS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {key: kinds_with(trait) for key, trait in _KEY_TRAITS.items()}
    | {
        part.keys[0]: (kind.name,)
        for kind in KINDS.values()
        for part in kind.parts
        if part.keys[0] != kind.name
    }
)
"""Keys of a lane that mean something on some kinds only, and these kinds. Settings say so
themselves."""


@dataclass(frozen=True, slots=True)
class Reference:
    """A key of a lane that may name another lane.

    Attributes:
        keys: where it is written in the lane's text.
        attribute: where it is in `Lane`, dotted.
        takes: what the named lane has to play; ``expression`` where any number of lanes of hits
            stand in an expression.
        kinds: the kinds of lanes that have the key.
        essential: a lane is nothing without it; it goes when the named lane goes.
        leading: the kinds for which the hits of the named lane say when this one moves, so that it
            can have their feel.
        hears_level: the strength of the named lane's hits counts.
    """

    keys: tuple[str, ...]
    attribute: str
    takes: Takes
    kinds: tuple[str, ...]
    essential: bool = False
    leading: tuple[str, ...] = ()
    hears_level: bool = False


REFERENCES: tuple[Reference, ...] = (
    Reference(("transpose_by",), "transpose_by", "values", kinds_with("pitched")),
    Reference(("advance",), "advance", "hits", kinds_with("any"), leading=kinds_with("any")),
    Reference(("reset",), "reset", "hits", kinds_with("reset"), leading=("shape",)),
    *(
        Reference(
            part.keys,
            f"source.{part.field}",
            part.takes,
            (kind.name,),
            not part.optional,
            (kind.name,),
            part.hears_level,
        )
        for kind in KINDS.values()
        for part in kind.parts
        if part.takes in ("hits", "values", "expression")
    ),
)
"""Every key of a lane that names another one, `drives` excepted: those are rows of their own."""


def references_of(kind: str) -> tuple[Reference, ...]:
    """The keys that a lane of this kind may name others with."""
    return tuple(one for one in REFERENCES if kind in one.kinds)


def is_led(kind: str, names: Callable[[Reference], bool]) -> bool:
    """Whether hits of other lanes say when a lane moves, so that it can have their feel.

    Args:
        kind: of the lane, by its name in `KINDS`.
        names: tells whether the lane names another with a key.
    """
    return any(kind in one.leading and names(one) for one in references_of(kind))


BY_KEYS: Mapping[tuple[str, ...], Reference] = MappingProxyType(
    {one.keys: one for one in REFERENCES}
)
"""References by where they are written in a lane."""
