"""Drift over many passes at once, as `pattern.Drift` does it pass by pass.

In most passes nothing changes, and that can be seen without working them out. As long as nothing
has drifted, a step leaves most easily, so the draws below that limit name the only passes in which
one may; and what has drifted stays where its own draw is not below the share that is used up.

Where only the end matters, most passes need not be looked at: at the bound all steps return, so
drift soon forgets where it was. The last passes are then gone through from every place where it may
have been, until all of these ways have met.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import combinations
from math import comb

from bridge.music import chance
from bridge.music.batches import Draws
from bridge.music.pattern import Drift

_LAST = (64, 256)
"""So many passes at the end are tried before all are gone through."""
_MOST_WAYS = 128
_FEW = 4  # so many passes are quicker one by one

Steps = int
"""Some steps of a pattern, a bit each."""


def drifted(
    drift: Drift,
    pass_index: int,
    count: int,
    marks: tuple[int, ...],
    probability: float,
    bound: int,
) -> Iterator[tuple[int, Steps]]:
    """
    Begin `count` passes, one after the other, and stop at each in which something changes.

    Args:
        drift: what drifts; it is as it should be when all passes have been gone through.
        pass_index: the first of these passes.
        count: how many.
        marks: what is written, as for `Drift.begin_pass`.
        probability: 0 to 1; at 0 nothing happens once no more than `bound` steps differ.
        bound: most steps that may differ.

    Yields:
        The passes in which something changes, and which steps of the pattern differ from then on.
    """
    if count <= 0:
        return
    if probability <= 0.0:
        surplus = len(drift.changed) > bound
        if surplus and drift.begin_pass(pass_index, marks, probability, bound):
            yield pass_index, _mask(drift.changed)
        return
    if count <= _FEW:
        for at in range(pass_index, pass_index + count):
            if drift.begin_pass(at, marks, probability, bound):
                yield at, _mask(drift.changed)
        return
    at = 0
    if len(drift.changed) > bound or any(place >= len(marks) for place in drift.changed):
        at = 1
        if drift.begin_pass(pass_index, marks, probability, bound):
            yield pass_index, _mask(drift.changed)
    passes = _Passes(drift.stream, pass_index, count, marks, probability, bound)
    begun, leaving, changed = passes.begun, passes.leaving, _mask(drift.changed)
    waiting = iter(sorted(leaving))
    coming = next(waiting, count)
    while at < count:
        if not changed:  # nothing happens before the next pass in which a step leaves
            while coming < at:
                coming = next(waiting, count)
            if coming == count:
                break
            at = coming
            after = leaving[at]
            if after.bit_count() > bound:
                after = begun(changed, at)
        else:
            after = begun(changed, at)
        if after != changed:
            changed = after
            yield pass_index + at, changed
        at += 1
    drift.changed = frozenset(places_of(changed))


def drift_on(
    drift: Drift,
    pass_index: int,
    count: int,
    marks: tuple[int, ...],
    probability: float,
    bound: int,
) -> None:
    """Begin `count` passes, one after the other, where only what has changed after the last of them
    matters. The arguments are those of `drifted`."""
    for last in _LAST:
        # The first pass may begin with more than the bound, the others never do.
        if probability > 0.0 and 2 * last < count:
            begin = pass_index + count - last
            end = _met(_Passes(drift.stream, begin, last, marks, probability, bound, most=True))
            if end is not None:
                drift.changed = frozenset(places_of(end))
                return
    for _ in drifted(drift, pass_index, count, marks, probability, bound):
        pass


def places_of(steps: Steps) -> list[int]:
    """The places of some steps."""
    found = []
    while steps:
        lowest = steps & -steps
        found.append(lowest.bit_length() - 1)
        steps ^= lowest
    return found


def _mask(places: Iterable[int]) -> Steps:
    return sum(1 << place for place in places)


class _Passes:
    """`Drift.begin_pass` for some passes that follow one another, where no more than `bound` steps
    differ, all of them in the pattern.

    Attributes:
        count, bound: see `drifted`.
        leaving: by pass, counted from the first, the steps that leave when nothing has drifted. No
            others leave when something has.
    """

    def __init__(
        self,
        stream: int,
        pass_index: int,
        count: int,
        marks: tuple[int, ...],
        probability: float,
        bound: int,
        *,
        most: bool = False,
    ) -> None:
        """The arguments are those of `drifted`; `most`: what `possible` says will be asked for."""
        self.count, self.bound = count, bound
        self._stream, self._first, self._marks = stream, pass_index, marks
        hits = sum(map(bool, marks))
        kinds = hits, len(marks) - hits, min(hits, len(marks) - hits)
        used = [away / bound if bound else 1.0 for away in range(bound + 1)]
        # By number of changed steps: below what these return, and rests and hits leave.
        self._limits = [
            (max(probability, share), _likely(probability * (1.0 - share), kinds)) for share in used
        ]
        self._places: dict[Steps, list[int]] = {}
        self.leaving: dict[int, Steps] = {}
        # For each step, a byte for each pass: whether it returns where it alone has changed.
        self._returning: list[bytes] = []
        rest, hit = self._limits[0][1]
        for step, mark in enumerate(marks):
            draws = Draws(stream, pass_index, step, count)
            if most:  # the more differ, the more return
                self._returning.append(draws.under(self._limits[min(1, bound)][0]))
            under = draws.under(hit if mark else rest)
            at = under.find(1)
            while at >= 0:
                self.leaving[at] = self.leaving.get(at, 0) | 1 << step
                at = under.find(1, at + 1)

    def begun(self, changed: Steps, at: int) -> Steps:
        """What has changed when a pass (counted from the first) has begun."""
        away, bound = changed.bit_count(), self.bound
        if away == bound:
            return 0  # all return, and none leave
        candidates = self.leaving.get(at, 0)
        back, likely = self._limits[away]
        stream, pass_index, draw = self._stream, self._first + at, chance.draw
        places = self._places.get(changed)
        if places is None:
            places = self._places[changed] = places_of(changed)
        kept = changed
        for place in places:
            if draw(stream, pass_index, place) < back:
                kept ^= 1 << place
        candidates &= ~changed
        if not candidates:
            return kept
        leaving: list[tuple[float, int]] = []
        for place in places_of(candidates):
            limit = likely[1 if self._marks[place] else 0]
            drawn = draw(stream, pass_index, place)
            if drawn < limit:
                leaving.append((drawn / limit, place))
        leaving.sort()
        return kept | _mask(place for _, place in leaving[: bound - kept.bit_count()])

    def possible(self) -> Iterator[Steps]:
        """After each pass, the steps that may differ whatever was before the first one."""
        stays = [0] * self.count
        for step, returning in enumerate(self._returning):
            at = returning.find(0)
            while at >= 0:
                stays[at] |= 1 << step
                at = returning.find(0, at + 1)
        may = (1 << len(self._marks)) - 1
        for at, stay in enumerate(stays):
            may = may & stay | self.leaving.get(at, 0)
            yield may


def _met(passes: _Passes) -> Steps | None:
    """What has changed after some passes, whatever had before them; None where it may be this or
    that."""
    ways: set[Steps] = set()
    for at, may in enumerate(passes.possible()):
        if ways:
            ways = {passes.begun(way, at) for way in ways}
        elif sum(comb(may.bit_count(), n) for n in range(passes.bound + 1)) <= _MOST_WAYS:
            bits = [1 << place for place in places_of(may)]
            ways = {sum(some) for n in range(passes.bound + 1) for some in combinations(bits, n)}
        if len(ways) == 1:
            (only,) = ways
            for later in range(at + 1, passes.count):
                only = passes.begun(only, later)
            return only
    return None


def _likely(leave: float, kinds: tuple[int, int, int]) -> tuple[float, float]:
    """How likely a rest and a hit leave, by how many hits and rests there are, and how many of the
    less frequent kind; see `Drift.begin_pass`."""
    hits, rests, fewer = kinds
    if not fewer:
        return leave, leave
    return leave * fewer / rests, leave * fewer / hits
