"""The table of events that `lanebridge render` writes: one row per event in the order sent.

That is by tick, and within a tick what leads (pitch, levels) before the gates.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from typing import Literal

from bridge.files.rig import Rig
from bridge.music.event import Event
from bridge.music.model import OutputRange, SetSpec, kind_of
from bridge.music.performance import Performance
from bridge.music.render import Renderer
from bridge.music.score import compile_score
from bridge.paper.course import Course

HELPER = "~"  # begins no name of an output
COLUMNS = ("tick", "lane", "kind", "value", "length", "output")


def text(
    spec: SetSpec,
    rig: Rig,
    bars: int,
    everything: bool = False,
    course: Course | None = None,
    told: Callable[[int], None] = lambda bars: None,
) -> str:
    """The first bars of a set as CSV (RFC 4180, line ends LF).

    Args:
        spec: the set.
        rig: the rig that it plays on.
        bars: how many.
        everything: with the lanes that go to no output.
        course: which way it goes; None: as written.
        told: hears how many bars are done.

    ``value`` is the level 0..1 of a ``hit``, the note number of a ``pitch``, the volts of a
    ``level``, as a decimal; ``length`` is in ticks and 0 for what has none. A macro that moves an
    output by itself stands as ``macro:NAME``. The
    value of a lane without output is said as it is, -1..1, or as its note.
    """
    outputs = dict(rig.ranges)
    if everything:
        spec, helpers = _heard(spec)
        outputs |= helpers
    score = compile_score(spec, outputs)
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(COLUMNS)
    performance = Performance(score)
    for command in course.commands if course is not None else ():
        performance.apply(command, 0)
    renderer = Renderer(score, performance)
    for bar in range(1, bars + 1):
        writer.writerows(rows(spec, renderer.advance(bar * spec.bar_ticks), everything))
        told(bar)
    return file.getvalue()


def _heard(spec: SetSpec) -> tuple[SetSpec, dict[str, OutputRange]]:
    """The set with an output of its own for every value lane that has none: values become events
    only where they go somewhere. One volt is a value of 1."""
    outputs: dict[str, OutputRange] = {}
    lanes = []
    for lane in spec.lanes:
        if lane.out is None and not lane.hits:
            name = HELPER + lane.name
            kind: Literal["pitch", "level"] = (
                "pitch" if "noted" in kind_of(lane.source).traits else "level"
            )
            outputs[name] = OutputRange(name, kind, -1.0, 1.0)
            lane = replace(lane, out=name)
        lanes.append(lane)
    return replace(spec, lanes=tuple(lanes)), outputs


def rows(
    spec: SetSpec, events: Iterable[Event], everything: bool = False
) -> Iterator[tuple[int, str, str, str, int, str]]:
    """Events as rows of the table.

    Args:
        spec: the set that they come from, for the names of lanes and macros.
        events: as the renderer gives them.
        everything: those that go to no output as well; their output is empty.

    Returns:
        A cell for each of `COLUMNS`.
    """
    for event in events:
        output = event.output or ""
        if output.startswith(HELPER):
            output = ""
        if not output and not everything:
            continue
        value = value_text(event.value)
        length = event.length if event.kind == "hit" else 0
        yield event.tick, lane_name(spec, event.lane), event.kind, value, length, output


def value_text(value: float) -> str:
    """A value as the table has it: six places are enough for any output."""
    return repr(round(float(value), 6) + 0.0)


def lane_name(spec: SetSpec, lane: int) -> str:
    """The name of an event's lane.

    Args:
        spec: the set that the event comes from.
        lane: place among its lanes, from 0; -1 is its first macro, -2 the second.
    """
    return spec.lanes[lane].name if lane >= 0 else f"macro:{spec.macros[-1 - lane].name}"
