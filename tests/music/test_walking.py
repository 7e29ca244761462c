"""A random walk of many steps at once ends where it ends step by step."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.music.pattern import Cursor
from bridge.music.walking import walk_on


@settings(deadline=None)
@given(
    st.integers(0, 2**64 - 1),
    st.integers(1, 17),
    st.lists(
        st.tuples(st.one_of(st.integers(0, 40), st.integers(0, 3000)), st.sampled_from("...rh")),
        min_size=1,
        max_size=5,
    ),
)
def test_a_walk_at_once_is_the_walk_step_by_step(
    stream: int, steps: int, stretches: list[tuple[int, str]]
) -> None:
    slow, quick = Cursor("random-walk", stream), Cursor("random-walk", stream)
    for count, then in stretches:
        for _ in range(count):
            slow.move(steps)
        walk_on(quick, count, steps)
        assert quick.carry() == slow.carry()
        if then != ".":
            slow.reset(by_hand=then == "h")
            quick.reset(by_hand=then == "h")
