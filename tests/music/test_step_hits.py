"""Hits as bytes are the same hits."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.music.node import BOTH, SOUNDING, WRITTEN, Hit, steps_of
from bridge.music.step_hits import StepHits, joined_flags
from bridge.music.ticks import step_tick

FLAGS = st.lists(st.sampled_from((0, 0, WRITTEN, SOUNDING, BOTH)), max_size=40).map(bytes)
STEPS = st.sampled_from((Fraction(240), Fraction(320), Fraction(3840, 7)))


@given(FLAGS, st.integers(0, 10**6), STEPS, st.integers(0, 9999))
def test_they_are_hits_on_steps(flags: bytes, first: int, step: Fraction, origin: int) -> None:
    hits = StepHits(flags, first, step, origin)
    ticks = [step_tick(first + place, step, origin) for place in range(len(flags))]
    expected = [
        Hit(tick, tick, 0.0, 1, exists_in=bits)
        for tick, bits in zip(ticks, flags, strict=True)
        if bits
    ]
    assert list(hits) == expected
    assert len(hits) == len(expected)
    assert bool(hits) == bool(expected)
    assert list(hits[1:3]) == expected[1:3]
    written = [hit.grid for hit in expected if hit.exists_in & WRITTEN]
    assert hits.written == len(written) == len(steps_of(hits))
    assert [hits.written_before_last(back) for back in range(len(written))] == written[::-1]
    with pytest.raises(IndexError):
        hits.written_before_last(len(written))
    assert joined_flags(hits, hits.bits).flags == flags


def test_only_flags_of_the_same_steps_are_beside_one_another() -> None:
    one = StepHits(bytes(4), 3, Fraction(240), 0)
    assert one.beside(StepHits(bytes((1, 2, 3, 0)), 3, Fraction(240), 0))
    assert not one.beside(StepHits(bytes(5), 3, Fraction(240), 0))
    assert not one.beside(StepHits(bytes(4), 2, Fraction(240), 0))
    assert not one.beside(StepHits(bytes(4), 3, Fraction(120), 0))
    assert not one.beside(StepHits(bytes(4), 3, Fraction(240), 960))
