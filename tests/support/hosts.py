"""Computers that send MIDI clock from an audio callback, as sound hardware makes them do it.

The model is the audio callback's own: the host is asked for one block of `frames` samples at a
time. The clocks that fall into a block leave together when the block is handed over, so a
receiver stamps them at a block's edge: late only, by up to one block, two of them or none in one
block. A host that stalls sends all the clocks it owes as soon as it runs again.

Nothing here knows of the follower. Times are in ns; every function takes its own random source.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Sequence
from itertools import accumulate

MS = 1_000_000

FRAMES = (64, 128, 256, 512, 1024, 2048)
RATES = (44_100, 48_000)

Stall = tuple[float, float]
"""(begins at ns, lasts ns)."""


def block_ns(frames: int, rate: int) -> float:
    """Length of one audio block in ns."""
    return frames * 1e9 / rate


def in_blocks(
    times: Sequence[float], block: float, rng: random.Random, jitter_ms: float = 0.2
) -> list[float]:
    """Each clock waits for the next block's edge, and up to `jitter_ms` more."""
    phase = rng.uniform(0, block)
    return [
        math.ceil((t - phase) / block) * block + phase + rng.uniform(0, jitter_ms) * MS
        for t in times
    ]


def stalled(times: Sequence[float], stalls: Iterable[Stall]) -> list[float]:
    """What was due while the host stood still leaves at once when it runs again."""
    out = list(times)
    for begin, length in stalls:
        end = begin + length
        out = [end if begin <= t < end else t for t in out]
    return out


def arrivals(times: Iterable[float], wire_ns: int = 1_000) -> list[int]:
    """Whole stamps in order; two never closer than `wire_ns`."""
    return list(accumulate((round(t) for t in times), lambda a, b: max(a + wire_ns, b)))


def unknowable_ms(
    times: Sequence[float], stamps: Sequence[int], block: float, clocks: int, jitter_ms: float = 0.2
) -> float:
    """How far the next clock may be from the middle of where it can be, in ms, after `clocks` stamps.

    A clock left its host before its stamp and, where nothing stood still, at most a block and the
    jitter before it. The steady clocks that fit form one range of periods around the true one, and
    the flattest and the steepest of them bound the next clock.
    """
    width = block + jitter_ms * MS
    true = (times[clocks - 1] - times[0]) / (clocks - 1)
    # Distances from the true clock: below `late`, and above `late - width` if it was in time.
    lates = [stamp - at for stamp, at in zip(stamps[:clocks], times, strict=False)]
    floors = [(n, late - width) for n, late in enumerate(lates) if late <= width]

    def fits(lean: float) -> bool:
        roof = min(late - lean * n for n, late in enumerate(lates))
        return max(floor - lean * n for n, floor in floors) <= roof

    def furthest(lean: float) -> float:
        """The last lean that fits, between none and `lean`."""
        good = 0.0
        for _ in range(30):
            middle = (good + lean) / 2
            good, lean = (middle, lean) if fits(middle) else (good, middle)
        return good

    high, low = furthest(true / 2), furthest(-true / 2)
    latest = min(late + high * (clocks - n) for n, late in enumerate(lates))
    earliest = max(floor + low * (clocks - n) for n, floor in floors)
    return (latest - earliest) / 2 / MS


def host(
    times: Sequence[float],
    block: float,
    seed: int,
    stalls: Iterable[Stall] = (),
    jitter_ms: float = 0.2,
) -> list[int]:
    """The stamps of a host with all of this; no blocks where `block` is 0."""
    rng = random.Random(seed)
    late = stalled(times, stalls)
    if block:
        late = in_blocks(late, block, rng, jitter_ms)
    else:
        late = [t + rng.uniform(0, jitter_ms) * MS for t in late]
    return arrivals(late)
