"""The table of events that `lanebridge render` writes: one row per event in the order sent."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator

from bridge.files.rig import Rig
from bridge.music.event import Event
from bridge.music.model import SetSpec
from bridge.music.score import compile_score

COLUMNS = ("tick", "lane", "kind", "value", "length", "output")


def text(spec: SetSpec, rig: Rig, bars: int, everything: bool = False) -> str:
    """The first `bars` bars of a set as CSV (RFC 4180, line ends LF).

    ``value`` is the level 0..1 of a ``hit``, the note number of a ``pitch``, the volts of a
    ``level``, as a decimal; ``length`` is in ticks and 0 for what has none. A macro that moves an
    output by itself stands as ``macro:NAME``. Lanes without output are left out unless
    `everything`.
    """
    score = compile_score(spec, rig.ranges)
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows(rows(spec, score.between(0, bars * spec.bar_ticks), everything))
    return file.getvalue()


def rows(
    spec: SetSpec, events: Iterable[Event], everything: bool = False
) -> Iterator[tuple[int, str, str, str, int, str]]:
    """Events as rows of the table."""
    for event in events:
        if event.output is None and not everything:
            continue
        value = repr(round(float(event.value), 6) + 0.0)
        length = event.length if event.kind == "hit" else 0
        yield (event.tick, lane_name(spec, event.lane), event.kind, value, length,
               event.output or "")  # fmt: skip


def lane_name(spec: SetSpec, lane: int) -> str:
    """The name of an event's lane; below 0 a macro."""
    return spec.lanes[lane].name if lane >= 0 else f"macro:{spec.macros[-1 - lane].name}"
