"""Two clocks merged on one input: recognised, and told apart.

A host that sends its clock on two ports, or two hosts on one cable, make one stream of stamps. One
clock's stamps may be late in many ways, but they never form two rows, each even in itself. So the
newest stamps are looked through for an even row that runs through all of them; what is left over
must be an even row too.

`separate` does that for a list of stamps, `Merged` watches a stream and looks only while stamps are
uneven, so that a good clock costs nothing.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import deque
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

_NEAR = 0.07  # of a period: how far from its place in the row a stamp may be
_NEAR_NS = 700_000
_FASTEST_NS = 6_000_000
_SLOWEST_NS = 130_000_000
_FEWEST = 10  # stamps in a row
_MISSED = 0.06  # of a row
_SPAN = 5  # stamps between the first two of a row
_MOST = 0.9  # of what is left over
_GOES_ON = 0.6  # of the stamps of a row come while the other one runs
_HALF = 0.12  # of a period
_KEPT = 64
_EVERY = 16
_ODD = 0.2  # of the usual gap
_UNEVEN = 0.25  # of the gaps are odd: it is worth a look
_LATELY = 8  # stamps
_DOUBT_GAPS = 12
_DOUBT_NEAR = 0.2  # of the usual gap
_DOUBT = 4  # odd ones
_ALONE = 48  # stamps of one even row before it is one clock again


class Row(NamedTuple):
    """An even row of stamps: the first, the last, their period in ns, how many there are."""

    first: int
    last: int
    period: float
    stamps: int

    @property
    def bpm(self) -> float:
        return 60e9 / (24 * self.period)


def separate(stamps: Sequence[int]) -> tuple[Row, Row] | None:
    """The two even rows that these stamps (in order) consist of, or None."""
    if len(stamps) < 2 * _FEWEST:
        return None
    for start in range(2):
        for second in range(start + 1, min(start + 1 + _SPAN, len(stamps))):
            period = stamps[second] - stamps[start]
            if not _FASTEST_NS <= period <= _SLOWEST_NS:
                continue
            row = _row(stamps, start, period)
            if row is None:
                continue
            taken = set(row)
            rest = [at for at in range(len(stamps)) if at not in taken]
            if len(rest) < _FEWEST:
                continue
            times = [stamps[at] for at in rest]
            other = _row(times, 0, times[1] - times[0]) or _row(times, 1, times[2] - times[1])
            if other and len(other) >= _MOST * len(rest):
                ones, others = [stamps[at] for at in row], [times[at] for at in other]
                one, two = _as_row(ones), _as_row(others)
                both = _both_run(ones, two, one) and _both_run(others, one, two)
                if both and not _halves(one, two):
                    return one, two
    return None


def _both_run(times: Sequence[int], during: Row, row: Row) -> bool:
    """Whether a row goes on while the other one runs. One that ends where the other one begins is
    a clock that changes its tempo."""
    since, until = max(during.first, row.first), during.last
    due = (until - since) / row.period
    return due > 0 and sum(since < ns <= until for ns in times) >= _GOES_ON * due


def _halves(one: Row, two: Row) -> bool:
    """Whether the two are every second clock of a single one."""
    if abs(one.period / two.period - 1) > 0.01:
        return False
    apart = (two.first - one.first) / one.period % 1
    return abs(apart - 0.5) < _HALF


def _as_row(times: Sequence[int]) -> Row:
    gaps = sorted(b - a for a, b in pairwise(times))
    usual = gaps[len(gaps) // 2]
    count = sum(round(gap / usual) for gap in gaps)
    return Row(times[0], times[-1], (times[-1] - times[0]) / count, len(times))


def _row(stamps: Sequence[int], start: int, period: float) -> list[int] | None:
    """The positions of an even row from `start` on to the end of the stamps, or None."""
    if period < _FASTEST_NS:
        return None
    row = [start]
    first = at = float(stamps[start])
    clocks = missed = 0
    end = stamps[-1] - period / 2
    while at + period <= end:
        clocks += 1
        due = at + period
        place = bisect_left(stamps, due)
        near = min(
            (p for p in (place - 1, place) if row[-1] < p < len(stamps)),
            key=lambda p: abs(stamps[p] - due),
            default=None,
        )
        if near is None or abs(stamps[near] - due) > min(_NEAR * period, _NEAR_NS) + 200_000:
            missed += 1
            if missed > 1 + _MISSED * clocks:
                return None
            at = due
            continue
        row.append(near)
        at = float(stamps[near])
        if clocks > 3:
            period = (at - first) / clocks
            at = (at + due) / 2
    return row if len(row) >= _FEWEST else None


def uneven(stamps: Sequence[int], room: float) -> bool:
    """Whether the newest of these stamps are too uneven to be one clock, so far. `room` in ns is
    how much its gaps may differ anyway. A bunch after a pause, or a single late stamp, is usual."""
    gaps = [b - a for a, b in pairwise(stamps[-1 - _DOUBT_GAPS :])]
    if len(gaps) < _DOUBT_GAPS:
        return False
    usual = sorted(gaps)[len(gaps) // 2]
    room = max(room, _DOUBT_NEAR * usual)
    odd = at = 0
    while at < len(gaps):
        gap, then = gaps[at], gaps[at + 1] if at + 1 < len(gaps) else 0
        bunch = gap > usual + room and then < _NEAR_NS
        late = gap > usual + room and abs(gap + then - 2 * usual) <= room
        if bunch:
            while at + 1 < len(gaps) and gaps[at + 1] < _NEAR_NS:
                at += 1
            at += 1  # what is left of one gap
        elif late:
            at += 1
        elif abs(gap - usual) > room:
            odd += 1
        at += 1
    return odd >= _DOUBT


class Merged:
    """Watches a stream. `rows` are the two clocks while there are two, else None."""

    def __init__(self) -> None:
        self.restart()

    def restart(self) -> None:
        """Forgets what was heard."""
        self.rows: tuple[Row, Row] | None = None
        self.even = False
        self.fresh = False  # `rows` are new
        self._stamps: deque[int] = deque(maxlen=_KEPT)
        self._since = 0
        self._alone = 0

    def take(self, ns: int) -> bool:
        """Takes one stamp; True when two clocks are there now, or one again."""
        stamps = self._stamps
        self.fresh = False
        if self.rows and stamps:
            usual = (stamps[-1] - stamps[-_LATELY]) / (_LATELY - 1)
            even = abs((ns - stamps[-1]) / usual - 1) < _ODD
            one = any(abs(usual / row.period - 1) < _ODD for row in self.rows)
            self._alone = self._alone + 1 if even and one else 0
        stamps.append(ns)
        self._since += 1
        if self._alone >= _ALONE:
            self.restart()
            return True
        if self._since < _EVERY or len(stamps) < 2 * _EVERY:
            return False
        self._since = 0
        self.even = self._is_even()
        if self.even:
            return False
        rows = separate(stamps)
        if rows is None:
            return False
        new = self.rows is None
        self.fresh = True
        self.rows = rows
        return new

    def in_doubt(self, room: float) -> bool:
        """Whether the newest stamps may be of two clocks, or those a moment ago; `room` as for
        `uneven`."""
        if self.rows:
            return False
        stamps = list(self._stamps)
        half = _DOUBT_GAPS // 2
        return any(uneven(stamps[: len(stamps) - back], room) for back in (0, half, 2 * half))

    def _is_even(self) -> bool:
        stamps = list(self._stamps)[-2 * _EVERY :]
        gaps = [b - a for a, b in pairwise(stamps)]
        usual = (stamps[-1] - stamps[0]) / len(gaps)
        return sum(abs(gap - usual) > _ODD * usual for gap in gaps) < _UNEVEN * len(gaps)
