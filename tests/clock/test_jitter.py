"""The rolling sample of lateness, against a plain sorted list."""

from __future__ import annotations

import random

from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.clock.jitter import Spread


@given(st.integers(0, 10**6), st.floats(0, 1))
@settings(max_examples=30)
def test_quantiles_are_those_of_the_last_samples(seed: int, share: float) -> None:
    rng = random.Random(seed)
    values = [rng.choice((rng.randrange(-(10**5), 10**7), 500)) for _ in range(320)]
    spread = Spread(most=128)
    for value in values:
        spread.add(value)
    last = sorted(max(0, value) for value in values[-128:])
    assert spread.quantile(share) == last[min(127, int(share * 128))]
    assert spread.worst == last[-1]


def test_an_assumption_stands_until_there_are_enough() -> None:
    """Before anything is seen a link is taken to be a rough one: half of a normal 1 ms, whose
    median is 0.674 ms and of which 95 in 100 stay below 1.96 ms (any table of the normal)."""
    spread = Spread()
    assert 0.5e6 < spread.quantile(0.5) < 0.85e6
    assert 1.7e6 < spread.quantile(0.95) < 2.3e6
    assert spread.usual_ns == 0


def test_the_assumption_goes_when_there_are_enough() -> None:
    rng = random.Random(1)
    spread = Spread()
    for _ in range(64):
        spread.add(abs(rng.gauss(0, 20_000)))
    assert spread.worst < 100_000
    assert 0 < spread.usual_ns < 100_000
