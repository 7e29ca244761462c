"""Lanes that have no output, and which free outputs would suit them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from bridge.music.model import Lane, SetSpec, kind_of
from bridge.paper.outputs import OutputRow


@dataclass(frozen=True, slots=True)
class Loose:
    """A lane without an output; `fits` are free outputs in the order of the rig. `helper` when
    other lanes or outputs are moved by it, so that it may well need none."""

    lane: str
    kind: str
    helper: bool
    fits: tuple[str, ...]


def loose(spec: SetSpec, rows: Iterable[OutputRow]) -> list[Loose]:
    """Every lane without an output, in the order of the set."""
    free = [row for row in rows if row.free]
    return [
        Loose(
            lane.name,
            lane.kind,
            bool(lane.drives),
            tuple(row.name for row in free if row.kind in suits(lane)),
        )
        for lane in spec.lanes
        if lane.out is None
    ]


def suits(lane: Lane) -> frozenset[str]:
    """The kinds of output that a lane can play: hits open gates, notes are pitch, all other values
    are levels, or pitch where they are quantised."""
    outputs = frozenset(kind_of(lane.source).outputs)
    return outputs - {"pitch"} if "level" in outputs and not lane.quantise else outputs
