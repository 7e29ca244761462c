"""A take as a chart: what was played, and what hands did."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from bridge.files.take import THOUSANDTHS, Take
from bridge.paper import chart
from bridge.paper.take_course import Course, Places, Played, end_place, played, tempos
from bridge.player.lateness import LATE_NS


def chart_of(take: Take, made: Played | None = None, name: str = "") -> chart.Chart:
    """
    Args:
        take: the take.
        made: what it was played with, where that is known already.
        name: what a person calls it.

    Returns:
        The chart; its first bar is the one in which the take begins.

    Raises:
        TakeError: its rig or set cannot be read.
    """
    made = made or played(take)
    spec = made.spec
    bar = spec.bar_ticks
    places = Places(take, bar)
    found = chart.Followed()
    ns = 0
    for stand in Course(take, made).stands():
        ns = stand.ns if stand.ns >= 0 else ns
        place = max(0, round(stand.tick) + places.shift_at(ns))
        found.see(int(stand.tick), place, stand.performance, stand.score)
    rows = list(_rows(take, made, places))
    end = max(end_place(take, places), 1 + max((row[0] for row in rows), default=0))
    found.end(end)
    bars = -(-end // bar)
    lanes = chart.lanes_of(spec, rows, found)
    late = list(_late(take, places))
    made_chart = chart.Chart(
        _title(take, name),
        "",
        bar,
        bars,
        lanes,
        [*chart.macro_lines(found), chart.hits_a_bar(lanes, bars, bar)],
        found.sections,
        tempos(take, places, spec.tempo),
        late,
    )
    words = [chart.length_words(bars, made_chart.seconds(end)), *_said(take, len(late))]
    return chart.replace_about(made_chart, "; ".join(words))


def _title(take: Take, name: str) -> str:
    head = take.head
    title = f"{head.get('set', '')} on {head.get('rig', '')}"
    try:
        began = datetime.fromisoformat(str(head.get("began")))
        title += f", {began.day} {began:%B %Y %H:%M}"
    except ValueError:
        pass
    return f"{name}: {title}" if name else title


def _said(take: Take, late: int) -> Iterator[str]:
    worst = max((late for late in take.late if late > 0), default=0) / 1e6
    limit = LATE_NS // 1_000_000
    if late:
        yield f"{late} of {len(take.late)} messages left more than {limit} ms late"
        yield f"the latest {worst:.1f} ms"
    else:
        yield f"no message left more than {limit} ms late"
    if take.lost:
        yield f"{take.lost} rows of the recording were lost"
    if not take.whole:
        yield "it was not ended in good order"


def _rows(take: Take, made: Played, places: Places) -> Iterator[tuple[int, str, str, float]]:
    lanes = {lane.name for lane in made.spec.lanes}
    macros = {macro.name for macro in made.spec.macros} - lanes
    for tick, due, owner, kind, value, _, output in take.events:
        if output is not None and owner not in macros:
            yield max(0, tick + places.shift_at(due)), owner, kind, value


def _late(take: Take, places: Places) -> Iterator[tuple[int, float]]:
    for tick, due, late in zip(take.ticks, take.due, take.late, strict=True):
        if late > LATE_NS:
            yield max(0, tick // THOUSANDTHS + places.shift_at(due)), late / 1e6
