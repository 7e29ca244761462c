"""Owners, holds and pacing, on a clock of the test's own."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from bridge.control.ownership import HOLD_S, OWN_S, PACE_S, Holds, Owners, Pacer


def test_the_mover_owns_a_control_until_300_ms_after_its_last_move() -> None:
    owners: Owners[str] = Owners()
    assert OWN_S == 0.3
    assert owners.take("brightness", "page 1", 10.0)
    assert not owners.take("brightness", "page 2", 10.2)
    assert owners.take("brightness", "page 1", 10.25)
    assert not owners.take("brightness", "page 2", 10.54)
    assert owners.take("brightness", "page 2", 10.56)
    assert owners.owner("brightness", 10.57) == "page 2"


def test_an_ownership_ends_once_and_says_so() -> None:
    owners: Owners[str] = Owners()
    owners.take("a", "page 1", 1.0)
    assert owners.next_end() == 1.3
    assert owners.ended(1.2) == []
    assert owners.ended(1.3) == ["a"]
    assert owners.ended(1.4) == []
    assert owners.next_end() is None


def test_a_client_that_vanishes_owns_nothing() -> None:
    owners: Owners[str] = Owners()
    owners.take("a", "page 1", 1.0)
    owners.take("b", "page 2", 1.0)
    owners.drop("page 1")
    assert owners.take("a", "page 2", 1.0)
    assert owners.owner("b", 1.1) == "page 2"


def test_a_hold_lives_while_it_is_refreshed_within_500_ms() -> None:
    holds: Holds[str] = Holds()
    assert HOLD_S == 0.5
    assert holds.press("page 1", "kick", 0.0)
    assert not holds.press("page 1", "kick", 0.4)
    assert holds.expired(0.8) == []
    assert holds.expired(0.9) == [("page 1", "kick")]
    assert holds.release("page 1", "kick")
    assert not holds.release("page 1", "kick")
    assert holds.next_end() is None


def test_two_hands_hold_one_lane_apart() -> None:
    holds: Holds[str] = Holds()
    assert holds.press("page 1", "kick", 0.0)
    assert holds.press("page 2", "kick", 0.3)
    assert holds.of("page 1") == ["kick"]
    assert holds.expired(0.6) == [("page 1", "kick")]


def test_the_first_goes_at_once_and_the_last_is_never_lost() -> None:
    pacer: Pacer[str, int] = Pacer(pace_s=0.1)
    assert pacer.offer("m", 0, 0.0) == (0.0, None)  # a finger comes down
    assert pacer.offer("m", 1, 0.01) == (0.0, None)  # and moves
    wait, replaced = pacer.offer("m", 2, 0.05)
    assert (round(wait, 3), replaced) == (0.05, None)
    assert pacer.offer("m", 3, 0.08)[1] == 2
    assert pacer.take("m", 0.1) == 3
    assert pacer.take("m", 0.1) is None
    assert pacer.offer("n", 1, 0.1) == (0.0, None)  # another address


@given(st.lists(st.floats(0, 0.02), min_size=1, max_size=300))
def test_no_address_gets_more_than_sixty_a_second(gaps: list[float]) -> None:
    pacer: Pacer[str, int] = Pacer()
    now, sent, flush = 0.0, [], None
    for number, gap in enumerate(gaps):
        now += gap
        while flush is not None and flush <= now:
            item = pacer.take("m", flush)
            assert item is not None
            sent.append((flush, item))
            flush = None
        wait, replaced = pacer.offer("m", number, now)
        if wait == 0:
            sent.append((now, number))
        elif replaced is None:
            flush = now + wait
    if flush is not None:
        item = pacer.take("m", flush)
        assert item is not None
        sent.append((flush, item))
    assert sent[-1][1] == len(gaps) - 1  # the newest always arrives
    for first, (begin, _) in enumerate(sent):
        for more, (at, _) in enumerate(sent[first:]):  # two at once, then one in each 1/60 s
            assert at - begin >= (more - 1) * PACE_S - 1e-4


def test_what_waits_goes_together() -> None:
    pacer: Pacer[str, int] = Pacer(pace_s=0.1)
    for number, key in enumerate("abcdef"):
        pacer.offer(key, number, 1.0 + number * 0.01)
        pacer.offer(key, number, 1.0 + number * 0.01)
    due = {round(1.07 + pacer.offer(key, 9, 1.07)[0], 6) for key in "abcdef"}
    assert due == {1.1, 1.2}  # on the shared grid: a at 1.1, the others when they may


def test_without_credit_only_one_goes_and_what_was_dropped_costs_nothing() -> None:
    pacer: Pacer[str, int] = Pacer(pace_s=0.1)
    assert pacer.offer("m", 1, 0.0, credit=False) == (0.0, None)
    for number in range(2, 9):
        assert pacer.offer("m", number, number / 100, credit=False)[0] > 0
        pacer.drop("m")
    assert pacer.take("m", 0.1) is None
    assert pacer.offer("m", 9, 0.1, credit=False) == (0.0, None)


def test_quiet_addresses_are_forgotten() -> None:
    pacer: Pacer[int, int] = Pacer()
    for number in range(5000):
        pacer.offer(number, number, number * 1.0)
    assert len(pacer._free_at) <= 1026
