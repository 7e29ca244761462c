"""Step strings, order of steps, drift, density."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from bridge.music import chance
from bridge.music.model import Direction
from bridge.music.pattern import (
    Cursor,
    Drift,
    filled,
    parse_steps,
    steps_text,
    strength,
    thresholds,
    to_length,
)

STREAM = chance.key(3, "lane", "direction")
marks = st.lists(st.integers(0, 2), min_size=1, max_size=64).map(tuple)


def played(direction: Direction, steps: int, count: int, stream: int = STREAM) -> list[int]:
    cursor = Cursor(direction, stream)
    return [cursor.move(steps) for _ in range(count)]


# --- step strings ---


@given(marks)
def test_step_strings_read_back(pattern: tuple[int, ...]) -> None:
    assert parse_steps(steps_text(pattern)) == pattern


def test_spaces_are_ignored() -> None:
    assert parse_steps("x.X. ..x") == (1, 0, 2, 0, 0, 0, 1)


@pytest.mark.parametrize(
    ("text", "says"),
    [("x.o.", "column 3: 'o'"), ("", "0 steps"), ("   ", "0 steps"), ("x" * 65, "65 steps")],
)
def test_wrong_step_strings_say_where(text: str, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        parse_steps(text)


@given(marks, st.integers(0, 64))
def test_length_cuts_or_repeats(pattern: tuple[int, ...], length: int) -> None:
    fitted = to_length(pattern, length)
    assert len(fitted) == (length or len(pattern))
    assert all(fitted[i] == pattern[i % len(pattern)] for i in range(len(fitted)))


def test_a_fill_replaces_the_last_steps() -> None:
    assert filled((1, 0, 0, 0), (1, 1)) == (1, 0, 1, 1)
    assert filled((1, 0), (0, 0, 1)) == (0, 0)


# --- density ---


def test_strength_halves_and_halves_again() -> None:
    assert [strength(i, 16) for i in range(16)] == [16, 1, 2, 1, 4, 1, 2, 1, 8, 1, 2, 1, 4, 1, 2, 1]


@given(marks)
def test_density_half_is_as_written_and_the_ends_are_none_and_all(pattern: tuple[int, ...]) -> None:
    limits = thresholds(pattern)
    assert [limit <= 0.5 for limit in limits] == [bool(mark) for mark in pattern]
    assert not any(limit <= 0.0 for limit in limits)
    assert all(limit <= 1.0 for limit in limits)


@given(marks, st.floats(0, 1), st.floats(0, 1))
def test_more_density_never_takes_a_hit_away(
    pattern: tuple[int, ...], one: float, other: float
) -> None:
    low, high = sorted((one, other))
    limits = thresholds(pattern)
    assert {i for i, limit in enumerate(limits) if low >= limit} <= {
        i for i, limit in enumerate(limits) if high >= limit
    }


@given(marks)
def test_strong_positions_go_last_and_fill_first(pattern: tuple[int, ...]) -> None:
    limits = thresholds(pattern)
    steps = len(pattern)
    for a in range(steps):
        for b in range(steps):
            if pattern[a] == pattern[b] and strength(a, steps) > strength(b, steps):
                assert limits[a] < limits[b]


# --- order of steps ---


@pytest.mark.parametrize(
    ("direction", "places"),
    [
        ("forward", [0, 1, 2, 3, 0, 1, 2, 3, 0]),
        ("backward", [3, 2, 1, 0, 3, 2, 1, 0, 3]),
        ("back-and-forth", [0, 1, 2, 3, 2, 1, 0, 1, 2]),
    ],
)
def test_orders(direction: Direction, places: list[int]) -> None:
    assert played(direction, 4, 9) == places


@pytest.mark.parametrize(
    "direction", ["forward", "backward", "back-and-forth", "random-walk", "shuffle"]
)
def test_one_step_and_two_steps(direction: Direction) -> None:
    assert played(direction, 1, 5) == [0] * 5
    assert set(played(direction, 2, 40)) == {0, 1}


@given(st.integers(3, 16), st.integers(0, 2**64 - 1))
def test_shuffle_plays_each_once_and_none_twice_running(steps: int, stream: int) -> None:
    places = played("shuffle", steps, steps * 12, stream)
    for start in range(0, len(places), steps):
        assert sorted(places[start : start + steps]) == list(range(steps))
    assert all(a != b for a, b in itertools.pairwise(places))


def test_a_random_walk_goes_one_step_either_way() -> None:
    places = played("random-walk", 8, 4001)
    moves = [(b - a) % 8 for a, b in itertools.pairwise(places)]
    assert set(moves) == {1, 7}
    assert stats.binomtest(moves.count(1), len(moves), 0.5).pvalue > 0.001


def test_passes_and_resets() -> None:
    cursor = Cursor("forward", STREAM)
    for _ in range(5):
        cursor.move(4)
    assert (cursor.pass_index, cursor.step, cursor.counted) == (1, 0, 1)
    cursor.reset()
    assert cursor.move(4) == 0
    assert (cursor.pass_index, cursor.counted) == (2, 2)
    cursor.reset(by_hand=True)
    cursor.reset()  # twice at the same place is once
    assert cursor.move(4) == 0
    assert (cursor.pass_index, cursor.counted) == (3, 0)


@given(
    st.sampled_from(["forward", "backward", "back-and-forth", "random-walk", "shuffle"]),
    st.lists(st.integers(1, 9), min_size=2, max_size=40),
    st.data(),
)
def test_what_is_carried_goes_on_the_same(
    direction: Direction, lengths: list[int], data: st.DataObject
) -> None:
    cut = data.draw(st.integers(0, len(lengths)))
    whole = Cursor(direction, STREAM)
    first = Cursor(direction, STREAM)
    expected = [whole.move(n) for n in lengths]
    places = [first.move(n) for n in lengths[:cut]]
    second = Cursor(direction, STREAM)
    second.adopt(first.carry())
    assert places + [second.move(n) for n in lengths[cut:]] == expected


# --- drift ---


@given(marks, st.floats(0, 1), st.integers(0, 16), st.integers(1, 40))
def test_drift_stays_within_its_bound(
    written: tuple[int, ...], probability: float, bound: int, turns: int
) -> None:
    drift = Drift(STREAM)
    for turn in range(turns):
        drift.begin_pass(turn, written, probability, bound)
        assert len(drift.changed) <= bound
        assert all(0 <= place < len(written) for place in drift.changed)
    drift.clear()
    assert drift.apply((1, 0, 2)) == (1, 0, 2)


def drifted(
    written: tuple[int, ...], probability: float, bound: int, seed: int, passes: int = 300
) -> list[Drift]:
    """How a pattern stands in each of `passes` passes after the first."""
    drift = Drift(chance.key(seed, "lane", "drift"))
    found = []
    for turn in range(1, passes + 1):
        drift.begin_pass(turn, written, probability, bound)
        copy = Drift(drift.stream)
        copy.changed = drift.changed
        found.append(copy)
    return found


FIVE = parse_steps("x..x..x..x..x...")


@pytest.mark.parametrize("seed", range(8))
def test_drift_neither_goes_to_its_bound_and_stays_nor_never_leaves_what_is_written(
    seed: int,
) -> None:
    away = [len(drift.changed) for drift in drifted(FIVE, 0.1, 4, seed)]
    assert away.count(4) < 0.1 * len(away)
    assert away.count(0) < 0.5 * len(away)
    assert max(len(list(run)) for value, run in itertools.groupby(away) if value == 4) <= 3
    # Every way of being away but the rarest is reached again and again.
    assert all(away.count(value) >= 10 for value in (0, 1, 2))


@pytest.mark.parametrize("text", ["x..x..x..x..x...", "xxx.xxx.xx.xxxx.", "x......."])
@pytest.mark.parametrize(("probability", "bound"), [(0.02, 4), (0.1, 4), (0.1, 8), (0.5, 3)])
def test_as_many_hits_leave_as_come(text: str, probability: float, bound: int) -> None:
    """A test of the mean over nights that do not know of each other (Student's t)."""
    written = parse_steps(text)
    hits = sum(map(bool, written))
    nights = [
        sum(sum(map(bool, d.apply(written))) for d in drifted(written, probability, bound, seed))
        / 300
        for seed in range(30)
    ]
    assert abs(sum(nights) / len(nights) - hits) < 0.3
    assert hits == 1 or stats.ttest_1samp(nights, hits).pvalue > 0.001


def test_with_room_to_spare_a_step_of_the_rarer_kind_changes_with_the_given_probability() -> None:
    left = [0, 0]
    for seed in range(4000):
        drift = Drift(chance.key(seed, "lane", "drift"))
        drift.begin_pass(1, FIVE, 0.1, 16)
        for place in drift.changed:
            left[bool(FIVE[place])] += 1
    assert stats.binomtest(left[1], 4000 * 5, 0.1).pvalue > 0.001
    assert stats.binomtest(left[0], 4000 * 11, 0.1 * 5 / 11).pvalue > 0.001


@pytest.mark.parametrize("other", [(1, "other"), (2, "lane")], ids=["lanes", "seeds"])
def test_two_lanes_and_two_seeds_drift_independently(other: tuple[int, str]) -> None:
    """Whether a pass differs from the one before, of two lanes and of two seeds: chi-square
    (`scipy`) sees no connection between them in 2,000 passes."""

    def moves(seed: int, lane: str) -> list[bool]:
        drift = Drift(chance.key(seed, lane, "drift"))
        found = []
        for turn in range(1, 2001):
            before = drift.changed
            drift.begin_pass(turn, FIVE, 0.05, 4)
            found.append(drift.changed != before)
        return found

    first, second = moves(1, "lane"), moves(*other)
    assert first == moves(1, "lane")
    table = [[0, 0], [0, 0]]
    for one, two in zip(first, second, strict=True):
        table[one][two] += 1
    assert 0.2 < sum(first) / len(first) < 0.8
    assert stats.chi2_contingency(table).pvalue > 0.001


def test_a_pattern_all_of_hits_drifts_as_well() -> None:
    away = [len(drift.changed) for drift in drifted((1,) * 16, 0.1, 4, 1)]
    assert 0.5 < sum(away) / len(away) < 3


def test_drift_turns_hits_into_rests_and_back() -> None:
    drift = Drift(STREAM)
    drift.changed = frozenset({0, 1})
    assert drift.apply((2, 0, 1)) == (0, 1, 1)
