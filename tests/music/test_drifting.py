"""Drift over many passes at once is drift pass by pass."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.music.drifting import drift_on, drifted, places_of
from bridge.music.pattern import Drift


@settings(deadline=None)
@given(
    st.lists(st.integers(0, 2), min_size=1, max_size=20).map(tuple),
    st.floats(0, 1),
    st.integers(0, 20),
    st.integers(0, 2**32),
    st.lists(st.tuples(st.integers(0, 150), st.floats(0, 1)), min_size=1, max_size=4),
    st.frozensets(st.integers(0, 24), max_size=9),
)
def test_drift_over_many_passes_is_drift_pass_by_pass(
    marks: tuple[int, ...],
    probability: float,
    bound: int,
    stream: int,
    stretches: list[tuple[int, float]],
    before: frozenset[int],
) -> None:
    slow, quick = Drift(stream), Drift(stream)
    slow.changed = quick.changed = before  # also more than the bound, and outside the pattern
    at = 1
    for count, share in stretches:
        likely = probability * share
        expected = []
        for pass_index in range(at, at + count):
            # As `PatternNode.begin_pass` asks: drift that is off calls a surplus home once.
            drifts = likely > 0.0 or len(slow.changed) > bound
            if drifts and slow.begin_pass(pass_index, marks, likely, bound):
                expected.append((pass_index, slow.changed))
        found = [
            (pass_index, frozenset(places_of(steps)))
            for pass_index, steps in drifted(quick, at, count, marks, likely, bound)
        ]
        assert found == expected
        assert quick.changed == slow.changed
        at += count


@settings(deadline=None)
@given(
    st.lists(st.integers(0, 2), min_size=1, max_size=20).map(tuple),
    st.one_of(st.floats(0, 1), st.floats(0, 0.1)),
    st.one_of(st.integers(0, 4), st.integers(0, 20)),
    st.integers(0, 2**32),
    st.lists(st.integers(0, 700), min_size=1, max_size=3),
    st.frozensets(st.integers(0, 24), max_size=9),
)
def test_where_drift_ends_is_where_it_ends_pass_by_pass(
    marks: tuple[int, ...],
    probability: float,
    bound: int,
    stream: int,
    stretches: list[int],
    before: frozenset[int],
) -> None:
    slow, quick = Drift(stream), Drift(stream)
    slow.changed = quick.changed = before
    at = 1
    for count in stretches:
        for pass_index in range(at, at + count):
            if probability > 0.0 or len(slow.changed) > bound:
                slow.begin_pass(pass_index, marks, probability, bound)
        drift_on(quick, at, count, marks, probability, bound)
        assert quick.changed == slow.changed
        at += count


def test_most_passes_need_not_be_gone_through_to_know_the_end() -> None:
    """The way of eight in sixteen, three of which may differ, is forgotten within 64 passes: so it
    does not matter what had changed before."""
    marks = (1, 0) * 8
    for stream in range(50):
        ends = set()
        for before in (frozenset[int](), frozenset({1, 4}), frozenset({2, 9, 15})):
            drift = Drift(stream)
            drift.changed = before
            for pass_index in range(100, 164):
                drift.begin_pass(pass_index, marks, 0.15, 3)
            ends.add(drift.changed)
        far = Drift(stream)
        drift_on(far, 1, 163, marks, 0.15, 3)
        assert ends == {far.changed}
