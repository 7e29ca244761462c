"""MIDI clocks that were never sent: exact times, three kinds of lateness, and what a follower
makes of them. Seeded, in ns, without waiting."""

from __future__ import annotations

import math
import random
import statistics
from collections.abc import Callable, Iterable, Sequence
from itertools import accumulate

from bridge.clock.follower import Follower

MS = 1_000_000
Late = Callable[[Sequence[float], random.Random], list[float]]


def period(bpm: float) -> float:
    """One clock of 24 to the quarter, in ns."""
    return 60e9 / (24 * bpm)


def clock(bpms: Iterable[float], start: float = 1e9) -> list[float]:
    """Times of clocks: one for each tempo (which holds from it to the next), and one more."""
    return list(accumulate((period(bpm) for bpm in bpms), initial=start))


def steady(bpm: float, count: int, start: float = 1e9) -> list[float]:
    return [start + i * period(bpm) for i in range(count)]


def ramp(low: float, high: float, count: int) -> list[float]:
    """Tempos that change evenly over `count` clocks."""
    return [low + (high - low) * i / count for i in range(count)]


def exact(times: Sequence[float], rng: random.Random) -> list[float]:
    return list(times)


def gauss(times: Sequence[float], rng: random.Random) -> list[float]:
    """Half of a normal distribution of 1 ms: never early."""
    return [t + abs(rng.gauss(0, MS)) for t in times]


def frames(times: Sequence[float], rng: random.Random) -> list[float]:
    """Held until the next frame of 1 ms, whose clock runs 0.013% slow against the sender's."""
    frame = 1.000_13 * MS
    phase = rng.uniform(0, frame)
    return [math.ceil((t - phase) / frame) * frame + phase for t in times]


def rough_frames(times: Sequence[float], rng: random.Random) -> list[float]:
    """As `frames`, with a sender that is itself late by half of a normal 0.1 ms."""
    return frames([t + abs(rng.gauss(0, 0.1 * MS)) for t in times], rng)


def tails(times: Sequence[float], rng: random.Random) -> list[float]:
    """A scheduler: half of a normal 0.2 ms, and 2 in 100 late by 3 to 8 ms."""
    return [
        t + (rng.uniform(3, 8) * MS if rng.random() < 0.02 else abs(rng.gauss(0, 0.2 * MS)))
        for t in times
    ]


def both_ways(times: Sequence[float], rng: random.Random) -> list[float]:
    """Evenly spread from 2 ms early to 2 ms late."""
    return [t + rng.uniform(-2, 2) * MS for t in times]


MODELS: dict[str, Late] = {"gauss": gauss, "frames": frames, "tails": tails}


def stamps(times: Sequence[float], late: Late, seed: int) -> list[int]:
    """Arrival stamps of `times`: late as `late` says, and never out of order."""
    return list(accumulate((round(t) for t in late(times, random.Random(seed))), max))


class Heard:
    """A follower, and what it predicted and showed after each stamp.

    `next` has the number of the next clock (the first of all is 1) and its predicted time.
    """

    def __init__(self) -> None:
        self.follower = Follower()
        self.steps: list[int] = []
        self.next: list[tuple[int, int]] = []
        self.shown: list[float] = []

    def feed(self, arrivals: Iterable[int]) -> Heard:
        follower = self.follower
        for ns in arrivals:
            self.steps.append(follower.pulse(ns))
            due = follower.index + 1
            self.next.append((due, follower.time_of_clock(due) if follower.period_ns else 0))
            self.shown.append(follower.display_bpm)
        return self

    def errors_ms(self, times: Sequence[float], skip: int = 2) -> list[float]:
        """Predicted minus true time of the next clock, after each stamp from number `skip` on.

        `times` are those of all clocks that were sent, received or not: a miscount shows as an
        error of a whole period."""
        return [
            (guess - times[due - 1]) / MS
            for due, guess in self.next[skip - 1 :]
            if due <= len(times)
        ]


def deviation(values: Sequence[float]) -> float:
    return statistics.pstdev(values)


def ratio(bpm: float, late: Late, seed: int, count: int, skip: int) -> tuple[float, float]:
    """How many times steadier the predictions are than the stamps, and their bias in ms."""
    times = steady(bpm, count)
    arrivals = stamps(times, late, seed)
    errors = Heard().feed(arrivals).errors_ms(times, skip)
    raw = [(a - t) / MS for a, t in zip(arrivals[skip:], times[skip:], strict=True)]
    return deviation(raw) / max(deviation(errors), 1e-6), statistics.fmean(errors)


def clocks_to_follow(low: float, high: float, late: Late, seed: int, within_ms: float = 3) -> int:
    """Clocks after a tempo jump until the prediction stays within `within_ms` for good."""
    before, after = 300, 100
    times = clock([low] * (before - 1) + [high] * after)
    errors = Heard().feed(stamps(times, late, seed)).errors_ms(times, before)
    bad = [i for i, error in enumerate(errors) if abs(error) > within_ms]
    return bad[-1] + 1 if bad else 0
