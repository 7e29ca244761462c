"""A set that players die of is left for the last one that played well."""

from __future__ import annotations

from typing import cast

from hypothesis import given
from hypothesis import strategies as st

from bridge.music.score import Score
from bridge.supervisor.fallback import DEATHS, PROVEN_NS, Fallback, Loaded

S = 1_000_000_000


def loaded(revision: int) -> Loaded:
    return Loaded(cast(Score, f"score {revision}"), revision, f"text {revision}", "set.yaml")


def sound(fallback: Fallback, seconds: float, begin: int = 0) -> int:
    now = begin
    while now < begin + seconds * S:
        now += S // 2
        fallback.heard(now, True)
    return now


def test_a_set_that_never_sounded_long_goes_back_to_the_one_that_did() -> None:
    fallback = Fallback(loaded(1))
    now = sound(fallback, 40)
    assert fallback.proven
    fallback.takes(loaded(2))
    sound(fallback, 5, now)
    assert [fallback.died() for _ in range(DEATHS)] == [False] * (DEATHS - 1) + [True]
    assert fallback.present == loaded(1)._replace(revision=3), "newer than what is given up"
    assert fallback.proven
    assert not fallback.died(), "a good set is never given up"
    fallback.takes(loaded(4))
    assert [fallback.died(), fallback.died()] == [False, True]
    assert fallback.present.text == "text 1"


def test_silence_and_a_pause_of_the_whole_computer_prove_nothing() -> None:
    fallback = Fallback(loaded(1))
    fallback.heard(S, True)
    fallback.heard(10_000 * S, True)
    assert not fallback.proven
    for second in range(100):
        fallback.heard((20_000 + second) * S, False)
    assert not fallback.proven
    sound(fallback, PROVEN_NS / S + 1, 30_000 * S)
    assert fallback.proven


def test_where_nothing_has_proven_itself_the_set_is_started_again() -> None:
    fallback = Fallback(loaded(1))
    assert not any(fallback.died() for _ in range(10))
    assert fallback.present == loaded(1)


def test_a_copy_of_yesterday_is_good_from_the_beginning() -> None:
    fallback = Fallback(loaded(1), loaded(0))
    assert [fallback.died(), fallback.died()] == [False, True]
    assert fallback.present == Loaded(cast(Score, "score 0"), 2, "text 0", "set.yaml")


@given(st.lists(st.sampled_from(["swap", "death", "play"]), max_size=60))
def test_players_never_die_of_an_unproven_set_for_ever(events: list[str]) -> None:
    fallback, revision, now, deaths = Fallback(loaded(1), loaded(0)), 1, 0, 0
    for event in events:
        if event == "swap":
            revision, deaths = max(revision, fallback.present.revision) + 1, 0
            fallback.takes(loaded(revision))
        elif event == "play":
            now = sound(fallback, 31, now)
        else:
            before = fallback.present
            deaths = 0 if fallback.proven else deaths + 1
            if fallback.died():
                assert fallback.present.revision > before.revision
                deaths = 0
            assert deaths < DEATHS
