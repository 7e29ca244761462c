"""The form of a set in words and as a chart (see `bridge.paper.form`)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from bridge.files.phrases import listed
from bridge.music.performance import Performance
from bridge.music.spelling import spelled
from bridge.paper import chart
from bridge.paper.form import Bar, Form, Part, Passage, Stretch

# --- words ---------------------------------------------------------------------------------------


def lines(form: Form) -> Iterator[str]:
    """The form as lines of text: sections, lanes, and what one should know."""
    minutes, seconds = divmod(round(form.seconds), 60)
    yield f"{form.spec.name}: {form.bars} bars, {minutes} min {seconds} s ({form.way})"
    yield ""
    yield from _table(
        ("section", "bars", "hits a bar", "filled", "register", "distinct", "differs", "lanes"),
        (_passage(form, passage) for passage in form.passages),
    )
    yield ""
    yield from _table(
        ("lane", "hits a bar", "bars heard", "distinct", "share", "longest unchanged"),
        (_part(part) for part in (form.whole, *form.groups, *form.lanes)),
    )
    yield ""
    for one, other, differs in form.alike:
        yield f"{one} and {other} hardly differ ({differs:.0%})"
    if form.silent:
        yield f"never sounds: {listed(list(form.silent))}"
    if not form.alike and len(form.passages) > 1:
        yield "every section differs from the others"
    if not form.silent:
        yield "every lane with an output sounds"


def _passage(form: Form, passage: Passage) -> tuple[str, ...]:
    notes = passage.register
    register = "-" if notes is None else " ".join(spelled(float(n), form.spec) for n in notes)
    return (
        passage.section or "-",
        f"{passage.first + 1} to {passage.first + passage.bars}",
        f"{passage.hits_a_bar:.1f}",
        f"{passage.density:.0%}",
        register,
        f"{passage.distinct} of {passage.bars}",
        "-" if passage.differs is None else f"{passage.differs:.0%}",
        str(len(passage.lanes)),
    )


def _part(part: Part) -> tuple[str, ...]:
    return (
        part.name,
        f"{part.hits_a_bar:.1f}",
        str(part.heard),
        str(part.distinct),
        f"{part.share:.0%}",
        stretch_words(part.again),
    )


def stretch_words(again: Stretch) -> str:
    """``bars 9 to 24, each the same``, ``bars 9 to 24, every 2 bars the same``, or ``none``."""
    if not again.bars:
        return "none"
    each = "each the same" if again.period == 1 else f"every {again.period} bars the same"
    return f"bars {again.first + 1} to {again.first + again.bars}, {each}"


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> Iterator[str]:
    table = [tuple(heads), *(tuple(row) for row in rows)]
    widths = [max(len(row[column]) for row in table) for column in range(len(heads))]
    for row in table:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


# --- drawing -------------------------------------------------------------------------------------


def chart_of(form: Form) -> chart.Chart:
    """The form as a chart, drawn like a take (`bridge.paper.chart_pages`): bars that a lane has
    played before are known in it."""
    score, bar, end = form.score, form.spec.bar_ticks, form.bars * form.spec.bar_ticks
    performance = Performance(score)
    for command in form.course.commands:
        performance.apply(command, 0)
    found = chart.Followed()
    tick: int | None = 0
    while tick is not None and tick < end:
        performance.settle(tick)
        found.see(tick, tick, performance, score)
        tick = performance.next_change(tick)
    found.end(end)
    again = {name: _again(bars) for name, bars in form.by_lane.items()}
    rows = chart.event_rows(score, (event for event in form.events if event.tick < end))
    lanes = chart.lanes_of(form.spec, rows, found, again)
    return chart.Chart(
        f"{form.spec.name}: {form.way}",
        chart.length_words(form.bars, form.seconds),
        bar,
        form.bars,
        lanes,
        [*chart.macro_lines(found), chart.hits_a_bar(lanes, form.bars, bar)],
        found.sections,
        form.course.tempos,
    )


def _again(bars: Sequence[Bar]) -> frozenset[int]:
    """The bars that are like an earlier one."""
    known: set[Bar] = set()
    old = []
    for number, bar in enumerate(bars):
        if bar in known:
            old.append(number)
        known.add(bar)
    return frozenset(old)
