"""A chart drawn on pages: A4, landscape, several rows of bars on each.

A row of bars has a line for each lane and macro, sections above and bar numbers below. All is dark
on white, with no letter below 10 pt. Bars that are wide enough show every hit as a stroke as
tall as its level; narrower ones show how many hits they have.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from bridge.paper import svg
from bridge.paper.chart import Chart, Hits, Line, Span
from bridge.paper.drawings import INK, PALE, RULE

WIDTH, HEIGHT = 841.89, 595.28
"""A4, landscape, in points (ISO 216: 297 mm by 210 mm)."""
EDGE = 30.0
TEXT, TITLE = 10.0, 14.0
LETTER = 5.6
"""Room for one letter of 10 pt, at most."""
LEFT_MOST, RIGHT = 170.0, 72.0
HEAD, FOOT = 36.0, 16.0
ABOVE, BELOW, LATE = 24.0, 16.0, 14.0
"""Room for names of sections over a row of bars, for numbers below it, and for what was late."""
THIN, TALL = 11.0, 30.0
"""Least and most height of a line."""
MOST_PAGES = 4
"""A chart gets more pages only when its lanes do not fit on one, or it is asked to."""
BARS_A_ROW: tuple[int, ...] = tuple(1 << power for power in range(2, 17))
WIDE = 24.0
"""A bar with room for all that happens in it."""
STROKES_FROM = 9.0
"""Width of the narrowest bar in which each hit has a stroke of its own."""
FINEST = 1.1
SHADE, AGAIN = "#d8d8d8", "#96a0a4"
APART = 44.0
"""Between two bar numbers, or two lateness figures, at least."""


@dataclass(frozen=True, slots=True)
class Block:
    """Some lines over some bars: what stands on a page as one piece."""

    first: int
    bars: int
    lines: Sequence[Hits | Line]


@dataclass(frozen=True, slots=True)
class Layout:
    """Where everything goes. `room` is the width of a row of `per_row` bars; `tall` the height of
    a line."""

    chart: Chart
    pages: Sequence[Sequence[Block]]
    per_row: int
    left: float
    tall: float

    @property
    def room(self) -> float:
        return WIDTH - EDGE - RIGHT - self.left

    @property
    def bar(self) -> float:
        """Width of a bar."""
        return self.room / self.per_row

    @property
    def below(self) -> float:
        return BELOW + (LATE if self.chart.late else 0.0)

    def block_height(self, block: Block) -> float:
        return ABOVE + len(block.lines) * self.tall + self.below


def layout(chart: Chart, per_row: int | None = None) -> Layout:
    """Puts a chart on pages.

    Args:
        chart: the chart.
        per_row: bars in a row; None: as few as `MOST_PAGES` pages have room for.
    """
    lines = [*chart.lanes, *chart.macros]
    longest = max((len(line.name) for line in lines), default=0)
    left = EDGE + min(LEFT_MOST, longest * LETTER + 8)
    room = HEIGHT - 2 * EDGE - HEAD - FOOT
    over = ABOVE + BELOW + (LATE if chart.late else 0.0)
    most_lines = max(1, int((room - over) // THIN))
    groups = [lines[at : at + most_lines] for at in range(0, len(lines), most_lines)] or [[]]
    a_page = max(1, int(room // (over + len(groups[0]) * THIN)))
    bars = max(1, chart.bars)
    if per_row is None:
        per_row = _per_row(bars, a_page if len(groups) == 1 else 1, WIDTH - EDGE - RIGHT - left)
    blocks = [
        Block(first, min(per_row, bars - first), group)
        for first in range(0, bars, per_row)
        for group in groups
    ]
    a_page = min(a_page, len(blocks))
    tall = min(TALL, (room / a_page - over) / max(1, len(groups[0])))
    paged = [blocks[at : at + a_page] for at in range(0, len(blocks), a_page)]
    return Layout(chart, paged, per_row, left, max(THIN, tall))


def _per_row(bars: int, a_page: int, room: float) -> int:
    """Bars in a row: on one page as long as they have room there, else on `MOST_PAGES`."""
    for pages, least in ((1, WIDE), (MOST_PAGES, 0.0)):
        for count in BARS_A_ROW:
            if -(-bars // count) <= a_page * pages and room / count >= least:
                return count
    return bars


def draw(chart: Chart, per_row: int | None = None) -> str:
    """The chart as one SVG: its pages one below the other.

    Args:
        chart: all of its bars are drawn.
        per_row: bars in a row; None: as `layout` finds.
    """
    placed = layout(chart, per_row)
    parts = []
    for number, content in enumerate(_pages(placed)):
        at = f"translate(0 {svg.number(number * HEIGHT)})"
        parts.append(svg.element("g", "".join(content), transform=at))
    return _picture(chart, parts, HEIGHT * len(parts))


def printed(chart: Chart, per_row: int | None = None) -> str:
    """The chart as one HTML page that prints on sheets of A4, landscape.

    Args:
        chart: all of its bars are drawn.
        per_row: bars in a row; None: as `layout` finds.
    """
    placed = layout(chart, per_row)
    sheets = "".join(_picture(chart, content, HEIGHT) for content in _pages(placed))
    style = "@page{size:A4 landscape;margin:0}body{margin:0}svg{display:block;break-after:page}"
    head = svg.element("title", svg.escape(chart.title)) + svg.element("style", style)
    head = f'<meta charset="utf-8">{head}'
    return f"<!DOCTYPE html>\n<html lang='en'><head>{head}</head><body>{sheets}</body></html>\n"


def _picture(chart: Chart, parts: Iterable[str], height: float) -> str:
    ground = svg.element("rect", width=WIDTH, height=height, fill="#fff")
    return svg.picture(
        WIDTH,
        height,
        [ground, *parts],
        chart.title,
        width="297mm",
        height=f"{svg.number(height / HEIGHT * 210)}mm",
        font_family="sans-serif",
        font_size=TEXT,
        fill=INK,
    )


def _pages(placed: Layout) -> Iterator[list[str]]:
    chart = placed.chart
    for number, blocks in enumerate(placed.pages, 1):
        parts = [svg.text(EDGE, EDGE + TITLE, chart.title, font_size=TITLE)]
        parts.append(svg.text(EDGE, EDGE + TITLE + 14, chart.about))
        top, unnamed = EDGE + HEAD, 0
        for block in blocks:
            drawn = _Drawn(placed, block, top)
            parts += drawn.parts()
            unnamed += drawn.unnamed
            top += placed.block_height(block)
        foot = HEIGHT - EDGE
        parts.append(svg.text(EDGE, foot, _legend(placed, unnamed)))
        if len(placed.pages) > 1:
            of = f"page {number} of {len(placed.pages)}"
            parts.append(svg.text(WIDTH - EDGE, foot, of, text_anchor="end"))
        yield parts


def _legend(placed: Layout, unnamed: int) -> str:
    chart = placed.chart
    if placed.bar >= STROKES_FROM:
        words = ["a stroke: a hit, as tall as its level"]
    else:
        words = ["strokes: as tall as the bar has hits"]
    if any(isinstance(lane, Hits) and lane.again for lane in chart.lanes):
        words.append("pale: a bar that the lane has played before")
    if any(lane.muted for lane in chart.lanes):
        words.append("shaded: muted")
    if unnamed:
        words.append(f"{unnamed} names of sections had no room")
    return "; ".join(words)


class _Drawn:
    """One block, from `top` of its page down. `unnamed` counts sections without room for a name."""

    def __init__(self, placed: Layout, block: Block, top: float) -> None:
        self.placed, self.block, self.top = placed, block, top
        self.chart = placed.chart
        self.bar_ticks = self.chart.bar_ticks
        self.begin = block.first * self.bar_ticks
        self.end = (block.first + block.bars) * self.bar_ticks
        self.bottom = top + ABOVE + len(block.lines) * placed.tall
        self.unnamed = 0

    def parts(self) -> Iterator[str]:
        base = self.top + ABOVE
        for line in self.block.lines:
            yield from self._spans(line.muted, base)
            base += self.placed.tall
        yield from self._bars()
        yield from self._sections()
        base = self.top + ABOVE
        for line in self.block.lines:
            base += self.placed.tall
            yield from self._name(line, base)
            yield from self._hits(line, base) if isinstance(line, Hits) else self._line(line, base)
        yield from self._late()

    def _x(self, place: float) -> float:
        return self.placed.left + (place - self.begin) / self.bar_ticks * self.placed.bar

    def _name(self, line: Hits | Line, base: float) -> Iterator[str]:
        left, y = self.placed.left, base - max(2.5, self.placed.tall / 2 - 4)
        most = int((left - EDGE - 8) / LETTER)
        name = line.name if len(line.name) <= most else f"{line.name[: most - 1]}…"
        yield svg.text(left - 6, y, name, text_anchor="end")
        yield svg.line(left, base, self._x(self.end), base, stroke=RULE, stroke_width=0.5)
        if isinstance(line, Line):
            yield svg.text(left + self.placed.room + 5, y, line.scale, fill=PALE)

    def _spans(self, spans: Sequence[Span], top: float) -> Iterator[str]:
        for span in spans[bisect_left(spans, self.begin, key=lambda span: span.end) :]:
            if span.begin >= self.end:
                return
            x = self._x(max(span.begin, self.begin))
            wide = self._x(min(span.end, self.end)) - x
            yield svg.element(
                "rect",
                x=x,
                y=top + 0.5,
                width=max(wide, 0.4),
                height=self.placed.tall - 1,
                fill=SHADE,
                class_="muted",
            )

    def _bars(self) -> Iterator[str]:
        every = next(2**n for n in range(32) if 2**n * self.placed.bar >= APART)
        y = self.bottom + TEXT + (5 if self.chart.late else 2)
        top = self.top + ABOVE
        for bar in range(self.block.first, self.block.first + self.block.bars):
            if (bar - self.block.first) % every:
                continue
            x = self._x(bar * self.bar_ticks)
            yield svg.line(x, top, x, self.bottom + 3, stroke=RULE, stroke_width=0.5)
            yield svg.text(x + 1, y, str(bar + 1))
        minutes, seconds = divmod(int(self.chart.seconds(self.begin)), 60)
        yield svg.text(self.placed.left - 6, y, f"{minutes}:{seconds:02}  bar", text_anchor="end")

    def _sections(self) -> Iterator[str]:
        sections = self.chart.sections
        first = max(0, bisect_right(sections, self.begin, key=lambda entry: entry[0]) - 1)
        free = [self.placed.left] * 2
        limit = WIDTH - EDGE
        for place, name in sections[first:]:
            if place >= self.end:
                return
            x = self._x(max(place, self.begin))
            words = f"({name})" if place < self.begin else name
            if place >= self.begin:
                y = self.top + ABOVE - 2
                yield svg.line(x, y, x, self.bottom, stroke=INK, stroke_width=0.7, class_="section")
            if not name:
                continue
            wide = len(words) * LETTER + 4
            row = next((n for n in (1, 0) if free[n] <= x and x + wide <= limit), None)
            if row is None:
                self.unnamed += 1
                continue
            free[row] = x + wide
            yield svg.text(x + 2, self.top + TEXT + row * 12, words)

    def _hits(self, lane: Hits, base: float) -> Iterator[str]:
        key = lambda mark: mark[0]  # noqa: E731
        marks = lane.marks
        marks = marks[
            bisect_left(marks, self.begin, key=key) : bisect_left(marks, self.end, key=key)
        ]
        again = lane.again or frozenset()
        room = self.placed.tall * 0.92
        old, new = list[str](), list[str]()
        if self.placed.bar >= STROKES_FROM:
            wide = 0.9
            for place, level in marks:
                to = old if place // self.bar_ticks in again else new
                high = room * (0.15 + 0.85 * level)
                to.append(f"M{svg.number(self._x(place))} {svg.number(base)}v-{svg.number(high)}")
        else:
            bars = max(1, round(FINEST / self.placed.bar + 0.49))
            wide = bars * self.placed.bar * 0.85
            length = bars * self.bar_ticks
            most = max(Counter(place // length for place, _ in lane.marks).values())
            for at, count in sorted(Counter(place // length for place, _ in marks).items()):
                to = old if all(b in again for b in range(at * bars, at * bars + bars)) else new
                x = self._x((at + 0.5) * length)
                high = room * count / most
                to.append(f"M{svg.number(x)} {svg.number(base)}v-{svg.number(high)}")
        for strokes, ink, kind in ((old, AGAIN, "again"), (new, INK, "new")):
            if strokes:
                d = "".join(strokes)
                yield svg.element("path", d=d, stroke=ink, stroke_width=wide, class_=kind)

    def _line(self, line: Line, base: float) -> Iterator[str]:
        key = lambda point: point[0]  # noqa: E731
        points = line.points
        first = max(0, bisect_right(points, self.begin, key=key) - 1)
        last = bisect_left(points, self.end, key=key)
        if points[first][0] >= self.end:
            return
        points = points[first : last + 1 if line.sloped else last]
        span = (line.high - line.low) or 1.0
        room = self.placed.tall - 4

        def y(value: float) -> float:
            return base - 2 - room * (value - line.low) / span

        least, most = self.placed.left, self._x(self.end)
        drawn = [(self._x(place), y(value)) for place, value in points]
        ends = [x for x, _ in drawn[1:]] + [most]
        runs = [(max(x, least), h, min(end, most)) for (x, h), end in zip(drawn, ends, strict=True)]
        if not line.joined:
            d = "".join(
                f"M{svg.number(x)} {svg.number(h)}h{svg.number(max(0.6, end - x))}"
                for x, h, end in _thinned(runs)
            )
            yield svg.element("path", d=d, stroke=INK, stroke_width=1.2, class_="notes")
            return
        if line.sloped:
            path = _clipped(drawn, least, most)
            if drawn[-1][0] < most:
                path.append((most, drawn[-1][1]))
        else:
            path = [at for x, h, end in _thinned(runs) for at in ((x, h), (end, h))]
        yield svg.path(path, stroke=INK, stroke_width=0.9, class_="line")

    def _late(self) -> Iterator[str]:
        """A mark where something left late, with the worst of those that stand close together."""
        late = self.chart.late
        if not late:
            return
        key = lambda entry: entry[0]  # noqa: E731
        own = late[bisect_left(late, self.begin, key=key) : bisect_left(late, self.end, key=key)]
        y = self.bottom + 2 * TEXT + 7
        yield svg.text(self.placed.left - 6, y, "late", text_anchor="end")
        groups: list[list[tuple[int, float]]] = []
        for place, ms in own:
            if groups and self._x(place) - self._x(groups[-1][0][0]) < APART:
                groups[-1].append((place, ms))
            else:
                groups.append([(place, ms)])
        for group in groups:
            place, ms = max(group, key=lambda entry: entry[1])
            for x in {round(self._x(place)) for place, _ in group}:
                d = f"M{x} {svg.number(self.bottom)}l-2 4h4z"
                yield svg.element("path", d=d, fill=INK, class_="late")
            begin = min(self._x(group[0][0]) - 3, WIDTH - EDGE - APART)
            yield svg.text(begin, y, f"{ms:.0f} ms")


def _thinned(runs: Sequence[tuple[float, float, float]]) -> Iterator[tuple[float, float, float]]:
    """Values with begin and end, where there are more than can be seen: of those that stand as
    close as `FINEST` the lowest, the highest, and the last, which may be held for long."""
    at = 0
    while at < len(runs):
        x = runs[at][0]
        then = at + 1
        while then < len(runs) and runs[then][0] < x + FINEST:
            then += 1
        close = runs[at:then]
        if len(close) <= 2:
            yield from close
        else:
            ends = {min(close, key=lambda run: run[1]), max(close, key=lambda run: run[1])}
            yield from sorted(ends | {close[-1]})
        at = then


def _clipped(
    points: Sequence[tuple[float, float]], least: float, most: float
) -> list[tuple[float, float]]:
    """A polyline between two places."""
    found: list[tuple[float, float]] = []
    for at, (x, y) in enumerate(points):
        x0, y0 = points[at - 1] if at else (x, y)
        for edge in (least, most):
            if x0 < edge < x:
                found.append((edge, y0 + (y - y0) * (edge - x0) / (x - x0)))
        if least <= x <= most:
            found.append((x, y))
    return found
