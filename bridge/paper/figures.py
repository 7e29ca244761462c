"""Small pictures of what lanes do, drawn from tiny sets that are really played.

Time runs to the right. A hit is a mark as tall as its level, a gate a block as long as it is high,
a value the line itself; a derived hit hangs on threads from the hits that caused it; where a lane
is out its trace is dashed. Colours and strokes are the page's: the drawing only names classes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from bridge.files.set import parse_set
from bridge.music.event import Event
from bridge.music.model import Lane, OutputRange
from bridge.music.performance import Performance
from bridge.music.render import Renderer
from bridge.music.score import Score, compile_score
from bridge.paper import svg
from bridge.protocol.command import Command

STEP = 240
WIDTH, LEFT, LABEL, TALL, GAP = 720.0, 4.0, 20.0, 26.0, 9.0
Look = Literal["hits", "gates", "values"]


@dataclass(frozen=True, slots=True)
class Trace:
    """One lane to draw: its name in the set, what is written beside it, and how it looks."""

    lane: str
    label: str
    look: Look


@dataclass(frozen=True, slots=True)
class Figure:
    """What was played and how it is drawn. `out` has the spans in which lanes are muted, by lane;
    `given` the tick at which a hand did something."""

    title: str
    score: Score
    events: tuple[Event, ...]
    ticks: int
    traces: tuple[Trace, ...]
    out: Mapping[str, tuple[tuple[int, int], ...]]
    given: int | None = None

    def of(self, lane: str) -> list[Event]:
        """The events of one lane, in order."""
        place = self.score.positions[lane]
        return [event for event in self.events if event.lane == place]


def play(
    title: str,
    text: str,
    ticks: int,
    traces: Sequence[Trace],
    *,
    pitch: Iterable[str] = (),
    commands: Sequence[Command] = (),
    at: int = 0,
) -> Figure:
    """
    Play `text`, a set without outputs, for `ticks` ticks, and keep what happens.

    Lanes of values get an output of their own, -1 to 1 V, or a pitch when `pitch` names them;
    `commands` are given at tick `at`.

    Raises:
        InputError: the set is wrong.
    """
    spec = parse_set(text, title).spec
    outputs = {}
    lanes: list[Lane] = []
    for lane in spec.lanes:
        if not lane.hits and lane.out is None:
            kind: Literal["pitch", "level"] = "pitch" if lane.name in pitch else "level"
            outputs[f"p.{lane.name}"] = OutputRange(f"p.{lane.name}", kind, -1.0, 1.0)
            lane = replace(lane, out=f"p.{lane.name}")
        lanes.append(lane)
    score = compile_score(replace(spec, lanes=tuple(lanes)), outputs)
    performance = Performance(score)
    renderer = Renderer(score, performance)
    events = renderer.advance(at)
    spans: dict[str, list[tuple[int, int]]] = {lane.name: [] for lane in lanes}
    before = _out(score, performance, 0)
    for command in commands:
        performance.apply(command, at)
    begin = dict.fromkeys((name for name, out in before.items() if out), 0)
    for tick in range(at, ticks + 1, STEP // 4):
        events += renderer.advance(tick)
        for name, out in _out(score, performance, tick).items():
            if out and name not in begin:
                begin[name] = tick
            elif not out and name in begin:
                spans[name].append((begin.pop(name), tick))
    events += renderer.advance(ticks)
    for name, tick in begin.items():
        spans[name].append((tick, ticks))
    kept = tuple(event for event in events if 0 <= event.tick < ticks)
    return Figure(
        title,
        score,
        kept,
        ticks,
        tuple(traces),
        {name: tuple(found) for name, found in spans.items()},
        at if commands else None,
    )


def _out(score: Score, performance: Performance, tick: int) -> dict[str, bool]:
    return {lane.name: performance.muted(place, tick) for place, lane in enumerate(score.lanes)}


# --- drawing -----------------------------------------------------------------------------------


def draw(figure: Figure) -> str:
    """The figure as SVG. Hits are elements of class ``hit``, gates ``gate``, values ``value``."""
    drawing = _Drawing(figure)
    height = len(figure.traces) * (LABEL + TALL + GAP) + 2
    parts = [*drawing.grid(height), *drawing.threads()]
    for number, trace in enumerate(figure.traces):
        parts += drawing.trace(number, trace)
    if figure.given is not None:
        x = drawing.x(figure.given)
        parts.append(svg.line(x, 0.0, x, height, class_="given"))
    return svg.picture(WIDTH, height, parts, figure.title, class_="figure")


class _Drawing:
    def __init__(self, figure: Figure) -> None:
        self.figure = figure
        self.base = {
            trace.lane: number * (LABEL + TALL + GAP) + LABEL + TALL
            for number, trace in enumerate(figure.traces)
        }

    def x(self, tick: float) -> float:
        return LEFT + (WIDTH - 2 * LEFT) * tick / self.figure.ticks

    def grid(self, height: float) -> list[str]:
        beat = self.figure.score.spec.beat_ticks
        fine = STEP if self.figure.ticks <= 16 * STEP else beat
        return [
            svg.line(
                self.x(tick),
                0.0,
                self.x(tick),
                height,
                class_="beat" if tick % beat == 0 else "step",
            )
            for tick in range(0, self.figure.ticks + 1, fine)
        ]

    def threads(self) -> list[str]:
        """From each derived hit up to the hits at the same place on the grid that caused it."""
        names = [lane.name for lane in self.figure.score.lanes]
        found = []
        for trace in self.figure.traces:
            for event in self.figure.of(trace.lane):
                for cause in event.causes:
                    above = self.base.get(names[cause])
                    if event.kind != "hit" or above is None or above >= self.base[trace.lane]:
                        continue
                    source = next(
                        (e for e in self.figure.of(names[cause]) if e.grid == event.grid), event
                    )
                    start = (self.x(source.tick), above)
                    end = (self.x(event.tick), self.base[trace.lane] - TALL * event.value)
                    found.append(svg.path([start, end], class_="thread"))
        return found

    def trace(self, number: int, trace: Trace) -> list[str]:
        base = self.base[trace.lane]
        parts = [svg.text(LEFT, base - TALL - 5, trace.label, class_="label")]
        place = 0
        spans = self.figure.out.get(trace.lane, ())
        for begin, end in (*spans, (self.figure.ticks, self.figure.ticks)):
            parts.append(svg.line(self.x(place), base, self.x(begin), base, class_="base"))
            parts.append(svg.line(self.x(begin), base, self.x(end), base, class_="base out"))
            place = end
        events = self.figure.of(trace.lane)
        if trace.look == "values":
            return [*parts, *self._values(events, base)]
        for event in events:
            x = self.x(event.tick)
            if trace.look == "gates":
                until = self.x(min(event.tick + event.length, self.figure.ticks))
                parts.append(
                    svg.element(
                        "rect",
                        x=x,
                        y=base - TALL * 0.7,
                        width=until - x,
                        height=TALL * 0.7,
                        class_="gate",
                    )
                )
            else:
                top = base - TALL * max(event.value, 0.08)
                parts.append(svg.line(x, base, x, top, class_="hit"))
        return parts

    def _values(self, events: list[Event], base: float) -> list[str]:
        """The line of a value, between its own lowest and highest."""
        if not events:
            return []
        low = min(event.value for event in events)
        span = (max(event.value for event in events) - low) or 1.0
        points: list[tuple[float, float]] = []
        for event in events:
            x, y = self.x(event.tick), base - 2 - (TALL - 4) * (event.value - low) / span
            if points:
                points.append((x, points[-1][1]))
            points.append((x, y))
        points.append((self.x(self.figure.ticks), points[-1][1]))
        return [svg.path(points, class_="value")]
