"""Many draws worked out together are the same draws, to the last bit."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.music import chance
from bridge.music.batches import Draws


@settings(deadline=None)
@given(
    st.integers(0, 2**64 - 1),
    st.integers(0, 10**7),
    st.integers(0, 63),
    st.one_of(st.integers(0, 200), st.integers(200, 700)),
    st.booleans(),
    st.floats(-0.5, 1.5),
)
def test_draws_at_once_are_the_draws_one_by_one(
    stream: int, pass_index: int, step: int, count: int, passes: bool, likely: float
) -> None:
    expected = [
        chance.draw(stream, pass_index + place, step)
        if passes
        else chance.draw(stream, pass_index, step + place)
        for place in range(count)
    ]
    draws = Draws(stream, pass_index, step, count, passes=passes)
    assert draws.numbers() == expected
    for limit in (likely, *expected[:3]):  # a draw is not below itself
        assert draws.under(limit) == bytes(drawn < limit for drawn in expected)
