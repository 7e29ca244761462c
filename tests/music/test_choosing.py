"""A running order that chooses: as often as the weights say, never the same twice running.

What is random is held by statistics (Pearson's chi-square, by `scipy`), not by the program's draws.
"""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from support.said import carry_out
from support.states import pending_section
from support.wired import BAR, score_of

from bridge.music.model import Entry, Every, Lane, Section, SetSpec
from bridge.music.order import place_after, section_of
from bridge.music.performance import Performance
from bridge.music.score import Score
from bridge.paper.course import of_order

RUN: dict[str, Any] = {"do": "order", "run": True}
GO_ON: dict[str, Any] = {"do": "order-next"}
NAMES = ("ebb", "turn", "flood", "calm")
THREE = (("ebb", 1.0), ("turn", 2.0), ("flood", 3.0))
CALM = 0.001  # a true hypothesis is refused once in a thousand; the seeds here are fixed


def score(*entries: Entry, again: bool = False, seed: int = 0) -> Score:
    return score_of(
        Lane("kick", Every(), out="main.gate-1"),
        sections=tuple(Section(name, ("kick",)) for name in NAMES),
        order=entries,
        order_again=again,
        seed=seed,
    )


def heard(made: Score, bars: int) -> list[str]:
    """The section of each bar, the order being run at tick 0."""
    performance = Performance(made)
    carry_out(performance, RUN, 0)
    found = []
    for bar in range(bars):
        performance.settle(bar * BAR)
        found.append(str(performance.state()["section"]))
    return found


def chain(weights: tuple[tuple[str, float], ...]) -> dict[tuple[str, str], float]:
    """How likely one section follows another: by its weight among those that do not play."""
    total = sum(weight for _, weight in weights)
    by_name = dict(weights)
    return {
        (one, other): weight / (total - by_name[one])
        for one in by_name
        for other, weight in weights
        if one != other
    }


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_each_follows_each_as_often_as_the_weights_say(seed: int) -> None:
    spec = SetSpec("s", order=(Entry("", 1, choose=THREE),), order_again=True, seed=seed)
    found, playing = [], None
    for begun in range(6000):
        playing = section_of(spec, 0, begun, playing)
        found.append(playing)
    followed = Counter(pairwise(found))
    assert all(one != other for one, other in followed)
    for name, _ in THREE:
        expected = {pair: share for pair, share in chain(THREE).items() if pair[0] == name}
        seen = [followed[pair] for pair in expected]
        shares = [share * sum(seen) for share in expected.values()]
        assert stats.chisquare(seen, shares).pvalue > CALM


def test_over_many_seeds_the_first_is_as_likely_as_its_weight() -> None:
    first = Counter(
        section_of(SetSpec("s", order=(Entry("", 1, choose=THREE),), seed=seed), 0, 0, None)
        for seed in range(3000)
    )
    seen, shares = [first[name] for name, _ in THREE], [3000 * w / 6 for _, w in THREE]
    assert stats.chisquare(seen, shares).pvalue > CALM


def test_two_seeds_choose_independently() -> None:
    made = [heard(score(Entry("", 1, choose=THREE), again=True, seed=s), 400) for s in (5, 6)]
    table = Counter(zip(*made, strict=True))
    names = [name for name, _ in THREE]
    rows = [[table[one, other] for other in names] for one in names]
    assert stats.chi2_contingency(rows).pvalue > CALM


def test_the_same_seed_plays_the_same_night_and_a_new_run_begins_it_anew() -> None:
    made = score(Entry("", 1, choose=THREE), again=True, seed=9)
    assert heard(made, 40) == heard(made, 40)
    performance = Performance(made)
    carry_out(performance, RUN, 0)
    performance.settle(10 * BAR)
    carry_out(performance, {"do": "order", "run": False}, 10 * BAR)
    carry_out(performance, RUN, 10 * BAR)
    assert performance.state()["order"]["begun"] == 1


def test_what_plays_already_is_not_chosen_whoever_brought_it() -> None:
    """With two to choose among only the other one is left."""
    two = (("ebb", 1.0), ("flood", 50.0))
    assert heard(score(Entry("flood", 1), Entry("", 1, choose=two)), 2) == ["flood", "ebb"]
    performance = Performance(score(Entry("", 1, choose=two)))
    carry_out(performance, {"do": "section", "section": "flood", "when": "now"}, 0)
    carry_out(performance, RUN, 0)
    assert performance.state()["section"] == "ebb"


def test_each_time_of_an_entry_is_chosen_anew_and_then_the_next_comes() -> None:
    made = score(Entry("", 2, 3, THREE), Entry("calm", 1), Entry("", None, choose=THREE))
    found = heard(made, 9)
    assert [found[bar] == found[bar + 1] for bar in (0, 2, 4)] == [True] * 3
    assert found[0] != found[2] != found[4]
    assert found[6] == "calm"
    assert found[7] == found[8] in {"ebb", "turn", "flood"}


def test_what_waits_is_what_comes() -> None:
    performance = Performance(score(Entry("", 1, choose=THREE), again=True, seed=4))
    carry_out(performance, RUN, 0)
    for bar in range(1, 60):
        told = pending_section(performance.state())["section"]
        performance.settle(bar * BAR)
        assert performance.state()["section"] == told


def test_an_open_choice_goes_on_at_the_next_line() -> None:
    performance = Performance(score(Entry("", None, 3, THREE), Entry("calm", 1)))
    carry_out(performance, RUN, 0)
    found = []
    for bar in range(4):
        performance.settle(bar * BAR)
        found.append(performance.state()["section"])
        if performance.state()["order"]["running"]:
            carry_out(performance, GO_ON, bar * BAR + 1)
    assert len(set(found[:3]) & {"ebb", "turn", "flood"}) >= 2
    assert found[3] == "calm"


LEGS = st.lists(
    st.builds(Entry, st.sampled_from(NAMES), st.integers(1, 2), st.integers(1, 2))
    | st.builds(Entry, st.just(""), st.integers(1, 2), st.integers(1, 3), st.just(THREE)),
    min_size=1,
    max_size=4,
)


@settings(max_examples=30)
@given(LEGS, st.booleans(), st.integers(0, 99), st.integers(0, 20 * BAR))
def test_a_state_put_back_at_any_tick_goes_on_the_same(
    entries: list[Entry], again: bool, seed: int, cut: int
) -> None:
    made = score(*entries, again=again, seed=seed)
    whole, pieces = Performance(made), Performance(made)
    for performance in (whole, pieces):
        carry_out(performance, RUN, 0)
    for tick in sorted({cut, *range(0, 24 * BAR, BAR)}):
        for performance in (whole, pieces):
            performance.settle(tick)
        if tick == cut:
            state = pieces.state()
            pieces = Performance(made)
            pieces.restore(state, tick)
        assert pieces.state() == whole.state()


@settings(max_examples=30)
@given(LEGS, st.booleans(), st.integers(0, 99))
def test_offline_goes_as_it_is_played(entries: list[Entry], again: bool, seed: int) -> None:
    made = score(*entries, again=again, seed=seed)
    course = of_order(made.spec, 24)
    lines = dict(course.markers)
    told: list[str] = []
    for bar in range(24):
        told.append(lines.get(bar * BAR, told[-1] if told else ""))
    assert heard(made, 24) == told


def test_the_places_of_an_order() -> None:
    spec = SetSpec("s", order=(Entry("ebb", 1, 4), Entry("", 1, 2, THREE)))
    assert place_after(spec, 0) == (1, 0)
    assert place_after(spec, 1) == (1, 1)
    assert place_after(spec, 1, 1) == (2, 0)
    again = SetSpec("s", order=spec.order, order_again=True)
    assert place_after(again, 1, 1) == (0, 0)


# --- taking back that it goes on ----------------------------------------------------------------


def test_that_the_order_goes_on_can_be_taken_back() -> None:
    performance = Performance(score(Entry("ebb", 4), Entry("turn", 1)))
    carry_out(performance, RUN, 0)
    carry_out(performance, GO_ON, 5)
    assert performance.state()["order"]["tick"] == BAR
    assert performance.state()["order"]["ends"] == 4 * BAR
    carry_out(performance, {"do": "cancel", "order": True}, BAR - 1)
    performance.settle(3 * BAR)
    assert performance.state()["section"] == "ebb"
    performance.settle(4 * BAR)
    assert performance.state()["section"] == "turn"


def test_taken_back_an_open_entry_waits_again() -> None:
    performance = Performance(score(Entry("ebb", None), Entry("turn", 1)))
    carry_out(performance, RUN, 0)
    carry_out(performance, GO_ON, 5)
    carry_out(performance, {"do": "cancel", "order": True}, 6)
    performance.settle(50 * BAR)
    assert performance.state()["section"] == "ebb"
