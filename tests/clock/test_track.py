"""When a line is given up, and when it is not."""

from __future__ import annotations

import random

import pytest

from bridge.clock.track import Track

P = 20_000_000
MS = 1_000_000


def track(late_ms: float, count: int = 200, seed: int = 1) -> tuple[Track, random.Random]:
    """A track that has seen `count` clocks, late by half of a normal distribution."""
    rng = random.Random(seed)
    made = Track()
    made.restart([(0, 0), (1, P)])
    for i in range(2, count):
        made.add(i, i * P + round(abs(rng.gauss(0, late_ms)) * MS))
    return made, rng


def test_a_steady_clock_keeps_its_window() -> None:
    made, _ = track(1.0, 1500)
    assert len(made) > 448
    assert made.line.at(1500) == pytest.approx(1500 * P, abs=0.1 * MS)


def test_one_early_stamp_moves_the_line_and_proves_nothing() -> None:
    made, _ = track(0.2)
    made.add(200, 200 * P - MS)
    assert len(made) == 201
    assert made.line.at(200) <= 200 * P - MS + 1


def test_two_early_stamps_prove_a_faster_clock() -> None:
    made, _ = track(0.2)
    made.add(200, 200 * P - 2 * MS)
    made.add(201, 201 * P - 4 * MS)
    assert len(made) < 6
    made.add(202, 202 * P - 6 * MS)
    assert made.line.period == pytest.approx(P - 2 * MS, abs=0.3 * MS)


def test_an_early_fault_is_forgotten_within_eight_clocks() -> None:
    made, rng = track(0.2)
    made.add(200, 200 * P - MS)
    for i in range(201, 209):
        made.add(i, i * P + round(abs(rng.gauss(0, 0.2)) * MS))
    assert made.line.at(209) == pytest.approx(209 * P, abs=0.3 * MS)


@pytest.mark.parametrize(("late_ms", "proof"), [(0.05, 3), (0.2, 4), (1.0, 6)])
def test_a_rough_link_needs_more_proof(late_ms: float, proof: int) -> None:
    """A clock that is 2 ms slower at each step."""
    made, rng = track(late_ms)
    for n in range(1, 12):
        late = n * 2 * MS + round(abs(rng.gauss(0, late_ms)) * MS)
        made.add(199 + n, (199 + n) * P + late)
        if len(made) < 50:
            assert n <= proof
            return
    pytest.fail("a slower clock was not noticed")


def test_single_late_stamps_prove_nothing() -> None:
    made, rng = track(0.2)
    for i in range(200, 400):
        late = 8 * MS if i % 20 == 0 else round(abs(rng.gauss(0, 0.2)) * MS)
        made.add(i, i * P + late)
    assert len(made) == 400
    assert made.line.at(400) == pytest.approx(400 * P, abs=0.1 * MS)


def test_a_creeping_acceleration_shortens_the_window() -> None:
    """4 us less at every clock: 120 to 140 in eight bars."""
    made, rng = track(0.2)
    at = 199.0 * P
    period = float(P)
    for i in range(200, 400):
        period -= 4000
        at += period
        made.add(i, round(at + abs(rng.gauss(0, 0.2)) * MS))
    assert len(made) < 120
    assert made.line.at(400) == pytest.approx(at + period - 4000, abs=0.6 * MS)


def test_the_tempo_before_is_a_hint_that_fades() -> None:
    made = Track()
    made.restart([(10, 10 * P)], hint=float(P))
    assert made.line.period == P
    for i in range(11, 70):
        made.add(i, i * P + (i - 10) * 40_000)
    assert made.line.period == pytest.approx(P + 40_000, abs=2000)
