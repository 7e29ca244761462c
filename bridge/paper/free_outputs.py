"""Lanes that have no output, and which free outputs would suit them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from bridge.files import fitting
from bridge.music.model import SetSpec
from bridge.paper.output_table import PlannedOutput


@dataclass(frozen=True, slots=True)
class LooseLane:
    """A lane without an output; `fits` are free outputs in the order of the rig. `helper` when
    other lanes or outputs are moved by it, so that it may well need none."""

    lane: str
    kind: str
    helper: bool
    fits: tuple[str, ...]


def loose(spec: SetSpec, rows: Iterable[PlannedOutput]) -> list[LooseLane]:
    """Every lane without an output, in the order of the set.

    Args:
        spec: a set that plays on the rig.
        rows: the outputs of the rig, as `bridge.paper.output_table.table` gives them for this set.
    """
    free = [row for row in rows if row.free]
    return [
        LooseLane(
            lane.name,
            lane.kind,
            bool(lane.drives),
            tuple(row.output for row in free if row.kind in fitting.suits(lane)),
        )
        for lane in spec.lanes
        if lane.out is None
    ]
