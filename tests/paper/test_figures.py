"""Pictures cannot lie: what stands in the drawing is read back and held against the tables."""

from __future__ import annotations

import itertools
import re
from xml.etree import ElementTree

import pytest

from bridge.files.set_lane import SOURCES
from bridge.music.logic_parse import FUNCTIONS, OPERATORS
from bridge.music.scale import note_name
from bridge.paper import figures
from bridge.paper.figure_sets import SUBJECTS, names, of_table
from bridge.paper.figure_sets import figures as figures_of
from bridge.paper.figures import Figure, Trace, draw, play
from bridge.paper.tables import all_tables, read

TABLES = all_tables()
STEP = figures.STEP
SVG = "{http://www.w3.org/2000/svg}"


def tick_of(figure: Figure, x: float) -> int:
    return round((x - figures.LEFT) / (figures.WIDTH - 2 * figures.LEFT) * figure.ticks)


def band(figure: Figure, lane: str) -> tuple[float, float]:
    """Top and base of a trace in the drawing."""
    number = [trace.lane for trace in figure.traces].index(lane)
    top = number * (figures.LABEL + figures.TALL + figures.GAP) + figures.LABEL
    return top, top + figures.TALL


def hits_drawn(figure: Figure, lane: str) -> list[tuple[int, float]]:
    """(tick, level) of each mark on a trace, read from the drawing."""
    _, base = band(figure, lane)
    return [
        (
            tick_of(figure, float(line.get("x1", ""))),
            (base - float(line.get("y2", ""))) / figures.TALL,
        )
        for line in ElementTree.fromstring(draw(figure)).iter(f"{SVG}line")
        if line.get("class") == "hit" and float(line.get("y1", "")) == base
    ]


def gates_drawn(figure: Figure, lane: str) -> list[tuple[int, int]]:
    """(tick, end) of each block on a trace, read from the drawing."""
    _, base = band(figure, lane)
    found = []
    for rect in ElementTree.fromstring(draw(figure)).iter(f"{SVG}rect"):
        x, y, width, height = (float(rect.get(k, "")) for k in ("x", "y", "width", "height"))
        if abs(y + height - base) < 0.02:
            found.append((tick_of(figure, x), tick_of(figure, x + width)))
    return found


def values_drawn(figure: Figure, lane: str) -> list[float]:
    """The value in the middle of each step, read from the line, between its lowest 0 and
    highest 1."""
    top, base = band(figure, lane)
    for line in ElementTree.fromstring(draw(figure)).iter(f"{SVG}path"):
        points = [
            (float(x), float(y))
            for x, y in re.findall(r"[ML]([\d.-]+) ([\d.-]+)", line.get("d", ""))
        ]
        if line.get("class") == "value" and all(top <= y <= base for _, y in points):
            break
    else:
        raise AssertionError("no line of values")
    found = []
    for step in range(figure.ticks // STEP):
        before = [y for x, y in points if tick_of(figure, x) <= step * STEP + 1]
        found.append((base - 2 - before[-1]) / (figures.TALL - 4))
    return found


CASES = [
    (name, label, cells, number)
    for name, table in TABLES.items()
    for number, (label, cells) in enumerate(table.shown)
]


def test_every_function_operator_and_source_has_its_picture() -> None:
    wanted = {*FUNCTIONS, *OPERATORS, *(f"source-{kind}" for kind in SOURCES)}
    by_steps = {name for name, kinds in FUNCTIONS.items() if {"line", "lane"} & {*kinds}}
    wanted |= {f"{name}-by-gates" for name in FUNCTIONS if not name.endswith("-mute")} - {
        f"{name}-by-gates" for name in by_steps
    }
    assert set(TABLES) == wanted
    assert len(names()) == len(set(names())), "two pictures have one name"


@pytest.mark.parametrize(
    ("name", "label", "cells", "number"), CASES, ids=[f"{n}: {label}" for n, label, *_ in CASES]
)
def test_a_picture_shows_what_its_table_says(
    name: str, label: str, cells: tuple[str, ...], number: int
) -> None:
    table = TABLES[name]
    figure = of_table(name, table)[number]
    trace = figure.traces[-1]
    assert figure.ticks == len(cells) * STEP
    for given in table.given:
        assert given in [t.lane for t in figure.traces]
    if trace.look == "hits":
        drawn = hits_drawn(figure, trace.lane)
        assert [tick for tick, _ in drawn] == [
            place * STEP for place, cell in enumerate(cells) if cell in "xX1"
        ]
        accented = [place * STEP for place, cell in enumerate(cells) if cell == "X"]
        if name.startswith("source-"):
            assert [tick for tick, level in drawn if level > 0.99] == accented
    elif trace.look == "gates":
        high = [
            any(
                a <= place * STEP and (place + 1) * STEP <= b
                for a, b in gates_drawn(figure, trace.lane)
            )
            for place in range(len(cells))
        ]
        assert high == [cell in "x1▔" for cell in cells]
        assert all(a % STEP == 0 == b % STEP for a, b in gates_drawn(figure, trace.lane))
    else:
        shown = [figures_value(figure, place) for place in range(len(cells))]
        if name in ("source-notes", "source-arpeggio"):
            assert [note_name(value) for value in shown] == list(cells)
        else:
            assert shown == pytest.approx([float(cell) for cell in cells], abs=0.006)
        low, high_value = (
            min(e.value for e in figure.of("out")),
            max(e.value for e in figure.of("out")),
        )
        scaled = [(value - low) / (high_value - low) for value in shown]
        assert values_drawn(figure, trace.lane) == pytest.approx(scaled, abs=0.02)


def figures_value(figure: Figure, place: int) -> float:
    return [e.value for e in figure.of("out") if e.tick <= place * STEP][-1]


# --- the pictures of settings --------------------------------------------------------------------


def marks(name: str) -> dict[str, list[int]]:
    ((_, figure),) = figures_of(name)
    return {t.lane: [tick for tick, _ in hits_drawn(figure, t.lane)] for t in figure.traces}


@pytest.mark.parametrize("name", names())
def test_every_picture_is_drawn_from_what_was_played(name: str) -> None:
    for _, figure in figures_of(name):
        for trace in figure.traces:
            events = figure.of(trace.lane)
            if trace.look == "hits":
                drawn = hits_drawn(figure, trace.lane)
                assert [tick for tick, _ in drawn] == [e.tick for e in events]
                heights = [max(e.value, 0.08) for e in events]
                assert [height for _, height in drawn] == pytest.approx(heights, abs=0.01)
            if name in SUBJECTS:
                assert events, f"{trace.lane} shows nothing"


def test_swing_gives_the_first_of_each_pair_its_share() -> None:
    lanes = marks("swing")
    for lane, percent in zip(lanes.values(), (40, 50, 58, 66), strict=True):
        assert lane[1] == pytest.approx(2 * STEP * percent / 100, abs=1)
        assert lane[::2] == [0, 480, 960, 1440]


def test_mutes_fall_where_they_were_asked_to() -> None:
    lanes = marks("mutes")
    assert max(lanes["now"]) < 6 * STEP
    assert max(lanes["beat"]) == 7 * STEP
    assert max(lanes["bar"]) == 15 * STEP
    assert next(t for t in lanes["two-bars"] if t >= 16 * STEP) == 32 * STEP
    ((_, figure),) = figures_of("mutes")
    dashed = [
        line
        for line in ElementTree.fromstring(draw(figure)).iter(f"{SVG}line")
        if line.get("class") == "base out" and line.get("x1") != line.get("x2")
    ]
    assert len(dashed) == 4


def test_density_only_adds() -> None:
    steps = [set(ticks) for ticks in marks("density").values()]
    assert all(a < b for a, b in itertools.pairwise(steps))


def test_repeats_speed_up_and_slow_down() -> None:
    lanes = marks("repeats")
    gaps = {n: [b - a for a, b in itertools.pairwise(t[:6])] for n, t in lanes.items()}
    assert set(gaps["even"][:3]) == {60}
    assert gaps["fast"] == sorted(gaps["fast"], reverse=True) != sorted(gaps["fast"])
    assert gaps["slow"] == sorted(gaps["slow"]) != sorted(gaps["slow"], reverse=True)


def test_drift_keeps_its_bound() -> None:
    lanes = marks("drift")
    span = 8 * STEP
    for start in range(0, 6 * span, span):
        still, moving = (
            {t - start for t in lanes[name] if start <= t < start + span}
            for name in ("still", "moving")
        )
        assert len(still ^ moving) <= 2
    assert lanes["still"] != lanes["moving"]


def test_passes_come_and_go() -> None:
    lanes = marks("passes")
    assert {t // (4 * STEP) % 4 for t in lanes["some"]} == {0, 2}
    assert {t // (4 * STEP) % 4 for t in lanes["last"]} == {3}


def test_directions_walk_as_they_say() -> None:
    ((_, figure),) = figures_of("directions")
    walked = {
        trace.label.split()[-1]: [round(e.value * 4) for e in figure.of(trace.lane)][:10]
        for trace in figure.traces
    }
    assert walked["forward"] == [0, 1, 2, 3, 4] * 2
    assert walked["backward"] == [4, 3, 2, 1, 0] * 2
    assert walked["back-and-forth"] == [0, 1, 2, 3, 4, 3, 2, 1, 0, 1]
    assert sorted(walked["shuffle"][:5]) == [0, 1, 2, 3, 4]


# --- threads, and reading tables -----------------------------------------------------------------


def test_a_derived_hit_hangs_on_a_thread_from_each_of_its_causes() -> None:
    text = 'set: s\nlanes:\n  a: {steps: "x.x."}\n  b: {steps: "xx.."}\n  c: {logic: a or b}\n'
    figure = play("s", text, 4 * STEP, [Trace(n, n, "hits") for n in "abc"])
    threads = [
        path
        for path in ElementTree.fromstring(draw(figure)).iter(f"{SVG}path")
        if path.get("class") == "thread"
    ]
    assert len(threads) == 4  # both at the first step, b at the second, a at the third


def test_labels_are_escaped() -> None:
    figure = play("<s>", "set: s\nlanes:\n  a: {every: 1}\n", STEP, [Trace("a", "<&>", "hits")])
    assert "&lt;&amp;&gt;" in draw(figure)


def test_a_row_without_its_two_spaces_is_refused() -> None:
    with pytest.raises(ValueError, match="two spaces"):
        read(["x x"])
