"""What happened to the pulses of a recorded clock, told with hindsight.

A follower must decide at once and trusts the count. A report knows what came after, and so can
tell a pulse that never came (the next ones are a whole period away, at the same pace) from one that
came late (the time lost comes back).
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from bridge.clock.blocks import Blocks, nearest
from bridge.clock.envelope import Point
from bridge.clock.merged import separate

_CHUNK = 64  # stamps looked at for two clocks at once
_AROUND = 8  # gaps before and after, for the usual one
_SAME = 0.15  # of a period
_WIDE = 1.6  # periods: something happened
_SHORT = 0.5  # of a period: part of a bunch
_ODD = 0.25  # of the gaps around: too uneven to judge
_EDGE = 12  # stamps before and after, for their early edge
_TWICE = 0.35  # of a period: one that came twice is at most this far behind


@dataclass(slots=True)
class Pulses:
    """`points` are the clocks on the count. `block_ns` is the length of the audio blocks they come
    in, 0 for none. `two` are the tempos in bpm of two clocks on the input. `every_twice` says that
    every pulse came twice."""

    points: list[Point] = field(default_factory=list)
    missing: int = 0
    doubled: int = 0
    bunched: int = 0
    block_ns: float = 0.0
    two: tuple[float, float] | None = None
    every_twice: bool = False


def sort_out(stamps: Sequence[int]) -> Pulses:
    """Tells what the stamps (ns, in order, two at least) are."""
    if _alternate(stamps):
        found = sort_out(stamps[::2]) if len(stamps) > 3 else Pulses(list(enumerate(stamps)))
        found.doubled += len(stamps) // 2
        found.every_twice = True
        return found
    blocks = Blocks()
    lengths = []
    for ns in stamps:
        blocks.take(ns)
        lengths.append(blocks.length)
    known = [length for length in lengths[len(lengths) // 2 :] if length]
    length = statistics.median_low(known) if len(known) > len(lengths) / 4 else 0.0
    two = None if length and nearest(length) else _two(stamps)
    if length and not two:
        return Pulses(list(enumerate(stamps)), block_ns=length, bunched=_bunches(stamps, length))
    if two:
        return Pulses(list(enumerate(stamps)), two=two)
    return _counted(stamps)


def _alternate(stamps: Sequence[int]) -> bool:
    """Whether short and long gaps alternate all the time: each pulse, and the same once more."""
    gaps = [b - a for a, b in pairwise(stamps)]
    if len(gaps) < _AROUND:
        return False
    one, two = statistics.median(gaps[::2]), statistics.median(gaps[1::2])
    period = one + two
    if min(one, two) > _TWICE * period:
        return False
    short = gaps[::2] if one < two else gaps[1::2]
    long = gaps[1::2] if one < two else gaps[::2]
    fit = sum(gap < _SHORT * period for gap in short) + sum(gap > _SHORT * period for gap in long)
    return fit > 0.95 * len(gaps)


def _two(stamps: Sequence[int]) -> tuple[float, float] | None:
    found = [
        rows
        for at in range(0, len(stamps) - _CHUNK // 2, _CHUNK // 2)
        if (rows := separate(stamps[at : at + _CHUNK]))
    ]
    if len(found) * _CHUNK < len(stamps) / 2:
        return None
    low = statistics.median(min(a.bpm, b.bpm) for a, b in found)
    high = statistics.median(max(a.bpm, b.bpm) for a, b in found)
    return low, high


def _bunches(stamps: Sequence[int], block: float) -> int:
    """Pulses that came at once after a pause of the sender, in blocks."""
    gaps = [b - a for a, b in pairwise(stamps)]
    longest = statistics.fmean(gaps) + block * 1.5
    bunched = 0
    late = False
    for gap in gaps:
        late = gap > longest or (late and gap < block / 2)
        bunched += late and gap < block / 2
    return bunched


def _counted(stamps: Sequence[int]) -> Pulses:
    gaps = [b - a for a, b in pairwise(stamps)]
    found = Pulses([(0, stamps[0])])
    middle = statistics.median(gaps)
    index = at = 0
    while at < len(gaps):
        before, after = _usual(gaps, at - _AROUND, at), _usual(gaps, at + 1, at + 1 + _AROUND)
        usual = before or after
        gap = gaps[at]
        steady = bool(before and after and abs(after / before - 1) < _SAME)
        rest = gaps[at + 1] if at + 1 < len(gaps) else 0
        twice = gap < _TWICE * usual and abs(gap + rest - usual) < _SAME * usual
        if steady and twice and _moved(stamps, at, usual) < -_SHORT:
            # The pulse, the same once more, and the next one in time.
            found.doubled += 1
            index += 1
            at += 2
            found.points.append((index, stamps[at]))
            continue
        index += 1
        at += 1
        if gap > _WIDE * (usual or middle):
            bunch = 0
            while at + bunch < len(gaps) and gaps[at + bunch] < _SHORT * (usual or middle):
                bunch += 1
            found.bunched += bunch
            never = round(gap / usual) - 1 if usual else 0
            back = steady and abs(rest - usual) < 2 * _SAME * usual
            if not bunch and back and _moved(stamps, at - 1, usual) > _SHORT * never:
                found.missing += never
                index += never
        found.points.append((index, stamps[at]))
    return found


def _moved(stamps: Sequence[int], at: int, usual: float) -> float:
    """By how many periods the early edge of the stamps behind gap `at` is later than that of those
    before it would have it, by the count of the stamps. Late pulses leave the edge in place."""
    before, after = stamps[max(0, at - _EDGE) : at + 1], stamps[at + 1 : at + 2 + _EDGE]
    here = min(ns - (n - len(before)) * usual for n, ns in enumerate(before))
    there = min(ns - n * usual for n, ns in enumerate(after))
    return (there - here) / usual


def _usual(gaps: Sequence[int], start: int, end: int) -> float:
    """The usual gap of this part, or 0 where the gaps are too uneven to judge one of them."""
    part = gaps[max(0, start) : max(0, end)]
    if len(part) < _AROUND // 2:
        return 0.0
    usual = statistics.median(part)
    odd = sum(abs(gap - usual) > _SAME * usual for gap in part)
    return usual if odd <= _ODD * len(part) else 0.0
