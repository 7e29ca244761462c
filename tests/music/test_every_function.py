"""What holds for every function of the set language, one row each: windows of any size give the same
events, a set that is edited at any tick goes on as it was, and a mute moves no stream but its own.

What each function plays is held in tests of its own; what is random, here, by chi-square (`scipy`).
"""

from __future__ import annotations

from itertools import accumulate
from statistics import median
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from support.said import carry_out
from support.sets import BAR, STEP, renderer

from bridge.files.set import parse_set
from bridge.files.set_check import plausible
from bridge.music.event import Event
from bridge.music.performance import Performance
from bridge.music.render import Renderer
from bridge.music.score import Score, compile_score

END = 4 * BAR
CALM = 0.001

REST = """
  other: {steps: "x.xx", level: 0.5, chance: 0.7, out: main.gate-8}
  kick: {euclid: {hits: 5, steps: 16}, out: main.gate-1}
  swell: {shape: triangle, rate: 5/8, out: main.level-1}
  roots: {notes: [^1, ^6-, ^4, ^5-], rate: 1/2}
"""
SECTION: dict[str, Any] = {"do": "section", "section": "away", "when": "bar"}
AWAY = "sections:\n  home: {}\n  away: "
MACRO = "macros:\n  far: {drives: [{lane: a, setting: SETTING, from: LOW, to: HIGH, curve: 0.5}]}\n"


def macro(setting: str, low: float, high: float) -> str:
    return MACRO.replace("SETTING", setting).replace("LOW", str(low)).replace("HIGH", str(high))


def turned(value: float) -> dict[str, Any]:
    return {"do": "macro", "macro": "far", "value": value}


# The lane `a`, what else the set says, and what hands do: (tick, command).
ROWS: dict[str, tuple[str, str, list[tuple[int, dict[str, Any]]]]] = {
    "steps with chance, repeats, level, gate and passes of their own": (
        '{steps: "x(60%, 3x)x(level 0.4)X(1 of 2).x(gate 2, 30%)", out: main.gate-2}', "", []),
    "degrees, shifted by a macro, in another key from the second bar on": (
        "{notes: [^1, ^b3, ^5-, ^8], degree_shift: 1, direction: shuffle, out: main.pitch-1}",
        macro("degree_shift", -3, 4) + AWAY + "{key: {root: D, scale: dorian}}\n",
        [(1000, turned(0.7)), (1000, SECTION)]),
    "chords": (
        "{arpeggio: roots, chord: [1, 3, 5, 7], direction: random-walk, drift: 0.3, advance: kick,"
        " out: main.pitch-1}",
        macro("inversion", -2, 3) + AWAY + "{key: {root: D, scale: dorian}}\n",
        [(1000, turned(0.7)), (1000, SECTION)]),
    "comparators": (
        '{logic: "above(swell, 0.6, 0.4) and not kick or rising(swell) and other", out: main.gate-2}',
        "", []),
    "changes of a line": (
        '{logic: "changed(grab)", out: main.gate-2}\n  grab: {hold: {value: swell, by: kick}}', "", []),
    "feedback": (
        '{logic: "kick xor earlier(a, 3)", out: main.gate-2}', "", []),
    "drives from and to": (
        "{euclid: {hits: 7, steps: 16}, out: main.gate-2}", macro("density", 0.2, 0.9),
        [(1111, turned(0.8)), (5000, turned(0.1))]),
    "half time in a section": (
        "{euclid: {hits: 7, steps: 16}, out: main.gate-2}", AWAY + "{lanes: {a: {pace: -1}}}\n",
        [(1000, SECTION)]),
    "another source in a section": (
        '{steps: "x..x.", out: main.gate-2}', AWAY + '{lanes: {a: {logic: "kick or swing-door"}}}\n',
        [(1000, SECTION)]),
    "an order that chooses and fills": (
        "{euclid: {hits: 5, steps: 16}, out: main.gate-2}",
        AWAY + "{lanes: {a: {hits: 9}}}\n  third: {lanes: {a: {rotate: 3}}}\n"
        "order:\n  - {choose: {home: 2, away: 1, third: 1}, bars: 1, times: 8, fill: 1}\n",
        [(0, {"do": "order", "run": True})]),
    "swing of eighths and a groove": (
        "{every: 1, humanise_level: 0.2, out: main.gate-2}",
        "swing: 61\nswing_of: 1/8\ngroove: [0, 9, -7, 4]\n", []),
    "drift with a home": (
        '{steps: "x..x..x.", drift: 0.4, out: main.gate-2}', macro("drift_bound", 0, 6),
        [(0, turned(1)), (2 * BAR, turned(0))]),
    "a drop and what returns": (
        "{euclid: {hits: 9, steps: 16}, chance: 0.8, groups: [stays], out: main.gate-2}", "",
        [(900, {"do": "drop", "group": "stays", "return_bars": 1})]),
    "a fill that is held": (
        '{steps: "x...x.", out: main.gate-2}', "",
        [(900, {"do": "fill", "active": True, "lane": "a", "client": "hand"}),
         (4100, {"do": "fill", "active": False, "lane": "a", "client": "hand"})]),
}  # fmt: skip


def score_of(name: str, level: float = 0.5, seed: int = 3) -> Score:
    lane, more, _ = ROWS[name]
    text = (
        f"set: t\nseed: {seed}\nkey: {{root: A, scale: minor}}\n{more}lanes:\n  a: {lane}{REST}"
        '  swing-door: {steps: "x.x..", rate: 1/8}\n'
    )
    spec = parse_set(text.replace("level: 0.5, chance", f"level: {level}, chance")).spec
    return compile_score(spec, plausible(spec))


def perform(
    score: Score,
    hands: list[tuple[int, dict[str, Any]]],
    cuts: list[int],
    swap: tuple[int, Score] | None = None,
) -> list[Event]:
    """What is played with `hands` at work, in windows that end at `cuts`; at a tick the set may be
    replaced by another."""
    performance = Performance(score)
    player = Renderer(score, performance)
    events: list[Event] = []
    waiting = sorted(hands, key=lambda one: one[0])
    for tick in sorted({*cuts, END, *(at for at, _ in hands), *([swap[0]] if swap else [])}):
        if tick:
            events += player.advance(tick)
        performance.settle(tick)
        while waiting and waiting[0][0] == tick:
            carry_out(performance, waiting.pop(0)[1], tick)
        if swap and swap[0] == tick:
            after = Performance(swap[1])
            after.restore(performance.state(), tick)
            second = Renderer(swap[1], after)
            second.adopt(player)
            performance, player = after, second
    return events


def hits_by_lane(score: Score, events: list[Event]) -> dict[str, list[Event]]:
    found: dict[str, list[Event]] = {lane.name: [] for lane in score.lanes}
    for event in events:
        if event.lane >= 0 and event.kind != "level":
            found[score.lanes[event.lane].name].append(event)
    return found


@pytest.mark.parametrize("name", ROWS)
@settings(max_examples=4)
@given(cuts=st.lists(st.integers(1, END - 1), max_size=12))
def test_windows_of_any_size_give_the_same_events(name: str, cuts: list[int]) -> None:
    score, hands = score_of(name), ROWS[name][2]
    whole = perform(score, hands, [])
    assert hits_by_lane(score, whole)["a"], "the row plays"
    assert perform(score, hands, cuts) == whole


@pytest.mark.parametrize("name", ROWS)
@settings(max_examples=4)
@given(tick=st.integers(1, END - 1))
def test_an_edit_of_another_lane_at_any_tick_changes_nothing(name: str, tick: int) -> None:
    score, hands = score_of(name), ROWS[name][2]
    whole = hits_by_lane(score, perform(score, hands, []))
    edited = hits_by_lane(score, perform(score, hands, [], (tick, score_of(name, 0.3))))
    assert {key: value for key, value in edited.items() if key != "other"} == {
        key: value for key, value in whole.items() if key != "other"
    }
    assert [hit.tick for hit in edited["other"]] == [hit.tick for hit in whole["other"]]


@pytest.mark.parametrize("name", ROWS)
def test_a_mute_moves_no_other_stream_and_its_own_goes_on_where_it_would_be(name: str) -> None:
    score, hands = score_of(name), ROWS[name][2]
    mutes: list[tuple[int, dict[str, Any]]] = [
        (at, {"do": "mute", "lane": "a", "muted": yes, "when": "now"})
        for at, yes in ((700, True), (3 * BAR - 500, False))
    ]
    whole = hits_by_lane(score, perform(score, hands, []))
    muted = hits_by_lane(score, perform(score, [*hands, *mutes], []))
    for lane in score.lanes:
        if lane.name != "a":
            assert muted[lane.name] == whole[lane.name], lane.name
    after = [event for event in whole["a"] if event.grid >= 3 * BAR]
    assert after
    assert [event for event in muted["a"] if event.grid >= 3 * BAR] == after
    if score.lanes[0].hits and name != "a drop and what returns":
        assert not [e for e in muted["a"] if 700 < e.grid < 3 * BAR - 500 - STEP]


# --- what is random -------------------------------------------------------------------------------

COUNT = 640


# A lane, and whether it is asked for its hits at each step, or for its values.
RANDOM: dict[str, tuple[str, bool]] = {
    "chance of a lane": ("{every: 1, chance: 0.5}", True),
    "chance of a step": ('{steps: "x(50%)"}', True),
    "chance in logic": ('{logic: "chance(beat, 0.5)"}', True),
    "spread of the level": ("{every: 1, level: 0.5, humanise_level: 0.3}", False),
    "random steps": ("{shape: random-steps, rate: 1/16}", False),
    "shuffled chords": ("{arpeggio: root, chord: [1, 5, 10, 12], direction: shuffle}", False),
}


def series(name: str, lane: str, seed: int) -> list[int]:
    """Of one of two lanes that are written alike, at each step: whether it hits, or whether its
    value is one of the higher half."""
    written, hits = RANDOM[name]
    lanes = "".join(
        f"  {one}: {written[:-1]}, out: main.out-{place}}}\n"
        for place, one in enumerate(("one", "two"), start=1)
    )
    text = (
        f"set: t\nseed: {seed}\nkey: {{root: C, scale: major}}\nlanes:\n  beat: {{every: 1}}\n"
        f"  root: {{notes: [C3]}}\n{lanes}"
    )
    spec = parse_set(text).spec
    score = compile_score(spec, plausible(spec))
    place = score.positions[lane]
    at = {e.grid // STEP: e.value for e in renderer(score).advance(COUNT * STEP) if e.lane == place}
    if hits:
        return [int(step in at) for step in range(COUNT)]
    # A value that stays is not sent again.
    values = list(accumulate(range(COUNT), lambda last, step: at.get(step, last), initial=at[0]))[
        1:
    ]
    middle = median(values)
    return [int(value > middle) for value in values]


@pytest.mark.parametrize("name", RANDOM)
@pytest.mark.parametrize("other", [("two", 1), ("one", 2)], ids=["lanes", "seeds"])
def test_two_lanes_and_two_seeds_draw_independently(name: str, other: tuple[str, int]) -> None:
    first, second = series(name, "one", 1), series(name, *other)
    table = [[0, 0], [0, 0]]
    # One of four steps: a shuffle of four hands out its notes once in a pass.
    for one, two in zip(first[::4], second[::4], strict=True):
        table[one][two] += 1
    assert stats.chi2_contingency(table).pvalue > CALM
    assert 0.3 < sum(first) / COUNT < 0.7
    assert first != second
    assert first == series(name, "one", 1)
