"""Clocks that come in audio blocks: how long the blocks are.

Most computers send MIDI clock from their audio callback, so its stamps lie on a grid of block
edges (64 to 2048 frames), whatever the tempo. Between two stamps there is then a whole number of
blocks, and a steady clock shows just two numbers, one apart. Hence the test: the gaps between
stamps form narrow heaps, the heaps are one block apart, and all gaps are whole multiples of that.

An even clock forms one heap, which proves nothing: its gap may be one block, two, or no block at
all. Where the period is nearly a whole number of blocks the second heap comes late, once in a slow
beat. One such gap is enough then, if it and the period are multiples of a length that sound
hardware uses.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter, deque
from collections.abc import Iterable, Sequence
from itertools import pairwise
from math import fsum
from typing import NamedTuple

FRAMES = (64, 96, 128, 192, 256, 384, 512, 768, 1024, 1536, 2048, 4096)
RATES = (48_000, 44_100)
"""Block sizes and sample rates of sound hardware (common practice, no source)."""

SHORTEST_NS = 1_250_000
"""Shorter blocks, and the 1 ms frames of USB, are no worse than other jitter."""
LONGEST_NS = 100_000_000

_KEPT = 128  # gaps
_FEWEST = 14
_EVERY = 8  # stamps between two searches
_APART_NS = (450_000, 1_800_000)  # between two heaps: for a good link, for a rough one
_NARROW = 0.12  # of a block: how far from a multiple a gap may lie
_NARROW_NS = 600_000
_MOST_FIT = 0.9
_SNAP = 0.004  # of a block: how far from a known length
_NEAR = 0.06  # of a block: how far two heaps may be off
_EVEN = 24  # gaps of one heap before a single other one proves a block
_TURNS = 3
_ALONE = 1.2
_CLOSE_NS = 60_000
_SINGLE_NS = 2_500_000
_LATE_MOST = 5
_BACK_NS = 800_000
_STALL = 2.2  # usual gaps: the sender stood still


class Block(NamedTuple):
    """One block size of sound hardware."""

    frames: int
    rate: int

    @property
    def ns(self) -> float:
        return self.frames * 1e9 / self.rate


_KNOWN = sorted((Block(frames, rate) for frames in FRAMES for rate in RATES), key=lambda b: b.ns)


def nearest(ns: float) -> Block | None:
    """The known block size of this length, or None."""
    at = bisect_left(_KNOWN, ns, key=lambda block: block.ns)
    best = min(_KNOWN[max(0, at - 1) : at + 1], key=lambda block: abs(block.ns - ns))
    return best if abs(best.ns - ns) <= _SNAP * ns else None


def length_of(gaps: Sequence[int]) -> float:
    """The length in ns of the blocks that these gaps between stamps are made of, or 0."""
    every, gaps = gaps, _usual(gaps)
    if len(gaps) < _FEWEST:
        return 0.0
    ranked = sorted(gaps)
    for apart in _APART_NS:
        heaps = _heaps(ranked, apart)
        length = _of_heaps(heaps, gaps, every)
        if length:
            return length
    return 0.0


def misfits(gaps: Iterable[int], length: float) -> int:
    """How many of the gaps are not a whole number of blocks."""
    near = min(_NARROW * length, _NARROW_NS) + 100_000
    return sum(abs(gap - round(gap / length) * length) > near for gap in gaps)


def _usual(gaps: Sequence[int]) -> list[int]:
    """Without what proves nothing: the pauses of a sender that stood still and the bunch after
    them, and the two gaps around a single late stamp."""
    wide = [gap for gap in gaps if gap > _APART_NS[0]]
    if not wide:
        return []
    usual = sorted(wide)[(len(wide) - 1) // 2]
    kept: list[int] = []
    at = 0
    for first in range(_LATE_MOST):  # a stamp before the first gap may have been late
        if first < len(gaps) and gaps[first] < usual - _APART_NS[0]:
            at = first + 1
    if gaps[0] <= _APART_NS[0]:  # perhaps the end of a bunch, and what is left of one gap
        at = max(at, 1 + next(n for n, gap in enumerate(gaps) if gap > _APART_NS[0]))
    bunch = any(gap > _STALL * usual for gap in gaps[:at])
    while at < len(gaps):
        gap = gaps[at]
        late = _late_for(gaps[at : at + _LATE_MOST], usual)
        if gap > _STALL * usual:
            bunch = True
        elif bunch:
            bunch = gap <= _APART_NS[0]  # the first wide gap is only what is left of one
        elif late:
            at += late - 1
        else:
            kept.append(gap)
        at += 1
    return kept


def _late_for(gaps: Sequence[int], usual: int) -> int:
    """For how many gaps from here on stamps are late without the clock being so: the time that is
    lost in the first comes back in the last. Where it does not come back yet, it may: the newest
    gaps prove nothing. 0 for a usual gap."""
    lost = 0
    if gaps[0] <= usual + _APART_NS[0]:
        return 0
    for count, gap in enumerate(gaps, 1):
        lost += gap - usual
        if lost < _BACK_NS:
            return count
    return len(gaps) if len(gaps) == 1 else 0


def _heaps(ranked: Sequence[int], apart: int) -> list[list[int]]:
    heaps = [[ranked[0]]]
    for gap in ranked[1:]:
        if gap - heaps[-1][-1] > apart:
            heaps.append([])
        heaps[-1].append(gap)
    return heaps


def _of_heaps(heaps: list[list[int]], gaps: Sequence[int], every: Sequence[int]) -> float:
    main = max(heaps, key=len)
    if len(gaps) >= _EVEN and len(main) >= 0.92 * len(gaps):
        return _of_one(heaps, main, every)
    means = [_mean(heap) for heap in heaps if len(heap) >= max(2, len(gaps) // 20)]
    found = [
        (misfits(gaps, length), -length)
        for a, b in pairwise(means)
        if SHORTEST_NS <= b - a <= LONGEST_NS
        for length in _lengths_near(b - a, gaps)
    ]
    if not found:
        return 0.0
    wrong, length = min(found)
    length = -length
    if wrong > (1 - _MOST_FIT) * len(gaps):
        return 0.0
    return length if _in_turn([round(gap / length) for gap in gaps]) else 0.0


def _mean(gaps: Sequence[int]) -> float:
    return fsum(gaps) / len(gaps)  # the library of statistics would load half a dozen others


def _in_turn(counts: Sequence[int]) -> bool:
    """Whether two numbers of blocks come in turn, the rarer one mostly alone, as they do on a grid.
    Two tempos one after the other show two heaps as well."""
    common = Counter(counts).most_common(2)
    if len(common) < 2:
        return False
    main = [count for count in counts if count in (common[0][0], common[1][0])]
    turns = sum(a != b for a, b in pairwise(main))
    return turns >= max(_TURNS, _ALONE * common[1][1])


def _of_one(heaps: list[list[int]], main: list[int], every: Sequence[int]) -> float:
    """An even clock, and a few other gaps: blocks only if everything fits a known size closely, and
    at least one of them stands alone between usual ones: beside a pause there is a bunch."""
    usual = _mean(main)
    if main[-1] - main[0] > _NARROW_NS:
        return 0.0
    others = [gap for heap in heaps if heap is not main for gap in heap]
    beside = [main[0] <= gap <= main[-1] for gap in every]
    alone = (
        beside[at - 2] and beside[at - 1] and not beside[at] and beside[at + 1]
        for at in range(2, len(every) - 1)
    )
    if not any(alone):
        return 0.0
    for block in reversed(_KNOWN):
        times = round(usual / block.ns)
        # All at once but for a few: the end of a long bunch, and no clock.
        if (
            not others
            or not times
            or block.ns < _SINGLE_NS
            or abs(usual - times * block.ns) > _CLOSE_NS
        ):
            continue
        steps = [round(gap / block.ns) - times for gap in others]
        if set(steps) in ({1}, {-1}) and not misfits(others, block.ns):
            return block.ns
    return 0.0


def _lengths_near(length: float, gaps: Sequence[int]) -> list[float]:
    known = [block.ns for block in _KNOWN if abs(block.ns - length) < _NEAR * length]
    return [*known, _refined(length, gaps)]


def _refined(length: float, gaps: Sequence[int]) -> float:
    """The length that fits the gaps best, by least squares; near ones only."""
    over = under = 0.0
    for gap in sorted(gaps):
        times = round(gap / length)
        if times and abs(gap - times * length) < _NARROW * 2 * length:
            over += gap * times
            under += times * times
            length = over / under
    return length


class Blocks:
    """Watches the stamps of one clock. `length` is that of its blocks in ns, 0 for none known."""

    def __init__(self) -> None:
        self.length = 0.0
        self._gaps: deque[int] = deque(maxlen=_KEPT)
        self._last = 0
        self._since = 0
        self._even = 0
        self._turned = False

    @property
    def known(self) -> Block | None:
        """The block size of sound hardware that this is; None for no blocks or an odd length,
        which may as well be the beat of two clocks."""
        return nearest(self.length) if self.length else None

    def take(self, ns: int) -> bool:
        """Takes one stamp; True when `length` is another one now."""
        gap, self._last = ns - self._last, ns
        if gap == ns:  # the first one
            return False
        odd = bool(self._gaps) and abs(gap - self._gaps[-1]) > _APART_NS[0]
        self._gaps.append(gap)
        # The first odd gap after many even ones may settle it, if the next one is usual again.
        at_once = not self.length and self._turned
        self._turned = odd and self._even >= _EVEN
        self._even = 0 if odd else self._even + 1
        self._since += 1
        if self._since < _EVERY and not at_once:
            return False
        self._since = 0
        return self._search()

    def _search(self) -> bool:
        before = self.length
        gaps = list(self._gaps)
        recent = _usual(gaps[-48:])
        if before and misfits(recent, before) <= 0.25 * len(recent):
            return False
        self.length = length_of(gaps) or length_of(gaps[-32:])
        return self.length != before
