"""A day of playing on a clock that jumps: every deadline against exact fractions."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from support.desk import BAR, BEAT, Desk, gate_lane, score_of

from bridge.player import core

HOUR_NS = 3600 * 10**9
SPARSE = gate_lane("bell", "x" + "." * 63)
"""One hit in four bars, so that a day of them is soon done."""


@pytest.fixture(autouse=True)
def nothing_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """These tests let an hour pass at once, and want every deadline of it."""
    monkeypatch.setattr(core, "BEHIND_NS", 10**18)
    monkeypatch.setattr(core, "RENDER_TICKS", 10**9)


def ns_per_tick(bpm: str) -> Fraction:
    return Fraction(60 * 10**9) / (Fraction(bpm) * BEAT)


def jump(desk: Desk, ns: int) -> list[tuple[int, int]]:
    """Time goes on by `ns` at once; (tick, deadline) of the hits that fell in it."""
    desk.now += ns
    desk.player.step(desk.now)
    hits = [(row[0], row[-1]) for row in desk.player.sender.played if row[2] == "hit"]
    desk.player.sender.played.clear()
    return hits


@pytest.mark.parametrize("bpm", ["133.33", "97.77", "61.803"])
def test_after_a_day_every_deadline_is_where_arithmetic_says(bpm: str) -> None:
    desk = Desk(score_of(SPARSE, tempo=float(bpm)))
    desk.start()
    hits = [hit for _ in range(24) for hit in jump(desk, HOUR_NS)]
    assert [tick for tick, _ in hits] == [n * 4 * BAR for n in range(len(hits))]
    day_ticks = 24 * HOUR_NS / ns_per_tick(bpm)
    assert abs(len(hits) - day_ticks / (4 * BAR)) <= 1
    wrong = [due - desk.zero - tick * ns_per_tick(bpm) for tick, due in hits]
    assert max(map(abs, wrong)) <= 1  # ns


def test_a_day_of_changing_tempos_does_not_drift() -> None:
    """Another awkward tempo every 20 minutes: each may cost its rounding, a nanosecond."""
    tempos = ["133.33", "97.77", "174.01", "61.8", "120.05"]
    desk = Desk(score_of(SPARSE, tempo=float(tempos[0])))
    desk.start()
    at, begin, bpm = Fraction(desk.zero), 0, tempos[0]
    count = 0
    for change in range(1, 73):
        for tick, due in jump(desk, 20 * 60 * 10**9):
            assert abs(due - (at + (tick - begin) * ns_per_tick(bpm))) <= change + 1
            count += 1
        tick = math.ceil(desk.player.song.tick_at(desk.now))
        at += (tick - begin) * ns_per_tick(bpm)
        begin, bpm = tick, tempos[change % len(tempos)]
        desk.do("tempo", bpm=float(bpm))
        # what was given out before the change goes by the new tempo too
        assert abs(desk.player.song.time_of(begin + BAR) - (at + BAR * ns_per_tick(bpm))) <= (
            change + 2
        )
    assert count > 8000
