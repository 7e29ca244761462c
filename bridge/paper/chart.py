"""What a performance looks like over its bars: lanes, macros, sections, mutes, lateness.

The same chart is made of a take and of a set that is not played yet; `bridge.paper.chart_pages`
draws it. Places are in ticks from its first bar.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from bridge.music.event import Event
from bridge.music.live_state import Glide
from bridge.music.model import SetSpec
from bridge.music.performance import Performance
from bridge.music.score import Score
from bridge.music.spelling import spelled
from bridge.paper.course import seconds_at

HITS_A_BAR = "hits a bar"


class Span(NamedTuple):
    """From a place up to another one."""

    begin: int
    end: int


@dataclass(frozen=True, slots=True)
class Hits:
    """A lane of hits.

    Attributes:
        marks: place and level (0 to 1) of each.
        muted: where it was or will be muted.
        again: bars (from 0) that it has played before; None: not looked at.
    """

    name: str
    marks: Sequence[tuple[int, float]]
    muted: Sequence[Span] = ()
    again: frozenset[int] | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """Something with a value at each place.

    Attributes:
        points: places and values in order; a value holds up to the next point unless `sloped`.
        low, high: the ends of its scale.
        scale: these in words.
        joined: whether one value leads to the next (a level) or stands for itself (a note).
    """

    name: str
    points: Sequence[tuple[int, float]]
    low: float
    high: float
    scale: str
    joined: bool = True
    sloped: bool = False
    muted: Sequence[Span] = ()


@dataclass(frozen=True, slots=True)
class Chart:
    """All of it.

    Attributes:
        title, about: what stands above it.
        bar_ticks, bars: how long it is.
        lanes, macros: its rows, in this order.
        sections: where each begins; several changes at one place: the last counts.
        tempos: places and beats a minute.
        late: places, and how many ms later than its time something left there.
    """

    title: str
    about: str
    bar_ticks: int
    bars: int
    lanes: Sequence[Hits | Line]
    macros: Sequence[Line]
    sections: Sequence[tuple[int, str]]
    tempos: Sequence[tuple[int, float]]
    late: Sequence[tuple[int, float]] = ()

    def seconds(self, place: int) -> float:
        """The time from the beginning to a place."""
        return seconds_at(self.tempos, place)


def replace_about(chart: Chart, about: str) -> Chart:
    """The same chart with other words above it."""
    return replace(chart, about=about)


def length_words(bars: int, seconds: float) -> str:
    """``361 bars, 12:08``, with hours where there are any."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    clock = f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"
    return f"{bars} bar{'' if bars == 1 else 's'}, {clock}"


# --- what hands and sections do -------------------------------------------------------------------


@dataclass(slots=True)
class Followed:
    """Gathers mutes, macros and sections of a performance, each time that something has changed."""

    sections: list[tuple[int, str]] = field(default_factory=list)
    muted: dict[str, list[Span]] = field(default_factory=dict)
    macros: dict[str, list[tuple[int, float]]] = field(default_factory=dict)
    _open: dict[str, int] = field(default_factory=dict)
    _knobs: dict[str, tuple[Glide, int, int]] = field(default_factory=dict)

    def see(self, tick: int, place: int, performance: Performance, score: Score) -> None:
        """Something has changed at a tick of the song, which stands at `place`."""
        live = performance.at(tick)
        spec = score.spec
        name = "" if live.section is None else spec.sections[live.section].name
        if (self.sections[-1][1] if self.sections else "") != name:
            if self.sections and self.sections[-1][0] == place:
                self.sections.pop()
            self.sections.append((place, name))
        for at, lane in enumerate(score.lanes):
            if not live.out[at]:
                self._close(lane.name, place)
            elif lane.name not in self._open:
                self._open[lane.name] = place
        for at, macro in enumerate(spec.macros):
            self._finish(macro.name, place)
            knob = live.knobs[at]
            self._add(macro.name, place, knob.value(tick))
            self._knobs[macro.name] = (knob, tick, place)

    def end(self, place: int) -> None:
        """The performance ends at a place."""
        for name in list(self._open):
            self._close(name, place)
        for name in self._knobs:
            self._finish(name, place)

    def _close(self, name: str, place: int) -> None:
        begin = self._open.pop(name, place)
        if begin < place:
            self.muted.setdefault(name, []).append(Span(begin, place))

    def _finish(self, name: str, place: int) -> None:
        """Goes along a macro up to a place: a straight line, then where it arrives."""
        if name not in self._knobs:
            return
        knob, tick, begin = self._knobs[name]
        arrives = begin + knob.at + knob.ticks - tick
        if begin < arrives < place:
            self._add(name, arrives, knob.end)
        self._add(name, place, knob.value(tick + place - begin))

    def _add(self, name: str, place: int, value: float) -> None:
        points = self.macros.setdefault(name, [])
        if len(points) > 1 and points[-1][1] == points[-2][1] == value:
            points[-1] = (place, value)  # it only goes on
        elif not points or points[-1] != (place, value):
            points.append((place, value))


# --- rows -----------------------------------------------------------------------------------------


def macro_lines(found: Followed) -> list[Line]:
    """A row for each macro."""
    return [
        Line(name, points, 0.0, 1.0, "0 to 1", sloped=True) for name, points in found.macros.items()
    ]


def line_of(
    spec: SetSpec, name: str, kind: str, points: Sequence[tuple[int, float]], muted: Sequence[Span]
) -> Line:
    """The row of a lane of values, on the scale of what it has played."""
    low, high = min(value for _, value in points), max(value for _, value in points)
    if kind == "pitch":
        ends = [spelled(float(round(end)), spec) for end in (low, high)]
        return Line(name, points, low, high, _ends(*ends), joined=False, muted=muted)
    return Line(name, points, low, high, _ends(f"{low:.1f}", f"{high:.1f}") + " V", muted=muted)


def _ends(low: str, high: str) -> str:
    return low if low == high else f"{low} to {high}"


def hits_a_bar(lanes: Iterable[Hits | Line], bars: int, bar_ticks: int) -> Line:
    """How many hits each bar has, all lanes together."""
    counts = [0] * (bars + 1)
    for lane in lanes:
        for place, _ in lane.marks if isinstance(lane, Hits) else ():
            counts[min(max(place // bar_ticks, 0), bars)] += 1
    counts = counts[:bars] or [0]
    points = [(bar * bar_ticks, float(count)) for bar, count in enumerate(counts)]
    most = max(counts)
    return Line(HITS_A_BAR, points, 0.0, float(most or 1), f"0 to {most}")


def lanes_of(
    spec: SetSpec,
    rows: Iterable[tuple[int, str, str, float]],
    found: Followed,
    again: dict[str, frozenset[int]] | None = None,
) -> list[Hits | Line]:
    """The rows of all lanes that have sounded, in the order of the set, then of those that came
    with another set; `rows` are place, lane, kind and value of each hit and value."""
    hits: dict[str, list[tuple[int, float]]] = {lane.name: [] for lane in spec.lanes}
    values: dict[tuple[str, str], list[tuple[int, float]]] = {}
    for place, name, kind, value in rows:
        if kind == "hit":
            hits.setdefault(name, []).append((place, value))
        else:
            hits.setdefault(name, [])
            values.setdefault((name, kind), []).append((place, value))
    lanes: list[Hits | Line] = []
    for name, marks in hits.items():
        muted = found.muted.get(name, ())
        if marks:
            lanes.append(Hits(name, marks, muted, None if again is None else again.get(name)))
        lanes += [
            line_of(spec, name, kind, points, muted)
            for (owner, kind), points in values.items()
            if owner == name
        ]
    return lanes


def event_rows(score: Score, events: Iterable[Event]) -> Iterable[tuple[int, str, str, float]]:
    """Events with an output as `lanes_of` wants them; what macros do by themselves is left out,
    for they have rows of their own."""
    for event in events:
        if event.output is not None and event.lane >= 0:
            yield event.tick, score.lanes[event.lane].name, event.kind, event.value
