"""Garbage of swaps goes while the song plays, and only where there is room."""

from __future__ import annotations

from bridge.player.sweep import FIRST_NS, WAITING_MOST, Sweeper


class Clock:
    """Time passes only while something is collected: `takes` ns each time."""

    def __init__(self, takes: int) -> None:
        self.now = 0
        self.takes = takes
        self.swept = 0

    def __call__(self) -> int:
        return self.now

    def collect(self) -> None:
        self.now += self.takes
        self.swept += 1


def test_it_waits_for_room_and_learns_how_much_is_needed() -> None:
    clock = Clock(takes=8_000_000)
    sweeper = Sweeper(clock, clock.collect)
    assert not sweeper.wants(10**9), "nothing was left yet"
    sweeper.swapped()
    assert not sweeper.wants(FIRST_NS), "a note leaves too soon"
    assert sweeper.wants(7_000_000)
    sweeper.sweep()
    assert clock.swept == 1
    assert not sweeper.wants(10**9)
    sweeper.swapped()
    assert not sweeper.wants(15_000_000), "it took 8 ms the last time"
    assert sweeper.wants(17_000_000)


def test_what_was_slow_once_is_forgotten() -> None:
    clock = Clock(takes=20_000_000)
    sweeper = Sweeper(clock, clock.collect)
    sweeper.swapped()
    sweeper.sweep()
    clock.takes = 500_000
    for _ in range(40):
        sweeper.swapped()
        sweeper.sweep()
    sweeper.swapped()
    assert sweeper.wants(2_000_000)


def test_a_set_without_room_does_not_fill_the_memory() -> None:
    sweeper = Sweeper(lambda: 0, lambda: None)
    for _ in range(WAITING_MOST):
        sweeper.swapped()
        assert not sweeper.wants(0)
    sweeper.swapped()
    assert sweeper.wants(0)
