"""Drift over many passes at once, as `pattern.Drift` does it pass by pass.

In most passes nothing changes, and that can be seen without working them out. As long as nothing
has drifted, a step leaves most easily, so the draws below that limit name the only passes in which
one may; and what has drifted stays where its own draw is not below the share that is used up.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from bridge.music import chance
from bridge.music.batches import Draws
from bridge.music.pattern import Drift


def drifted(
    drift: Drift,
    pass_index: int,
    count: int,
    marks: tuple[int, ...],
    probability: float,
    bound: int,
) -> Iterator[int]:
    """
    Begin `count` passes, one after the other, and stop at each in which something changes.

    Args:
        drift: what drifts; it is changed.
        pass_index: the first of these passes.
        count: how many.
        marks: what is written, as for `Drift.begin_pass`.
        probability: 0 to 1; at 0 nothing happens once no more than `bound` steps differ.
        bound: most steps that may differ.

    Yields:
        The passes in which something changed, just after it has.
    """
    if count <= 0:
        return
    if probability <= 0.0:
        surplus = len(drift.changed) > bound
        if surplus and drift.begin_pass(pass_index, marks, probability, bound):
            yield pass_index
        return
    leaving = _may_leave(drift.stream, pass_index, count, marks, probability)
    once = _Once(drift, marks, probability, bound)
    inside = frozenset(range(len(marks)))
    waiting = iter(sorted(leaving))
    coming = next(waiting, count)
    at = 0
    while at < count:
        changed = drift.changed
        if not changed:
            at = max(at, coming)
            if at >= count:
                return
        regular = len(changed) <= bound and changed <= inside
        if not regular or at == coming or once.returns(pass_index + at):
            if regular:
                moved = once(pass_index + at, leaving.get(at, ()))
            else:
                moved = drift.begin_pass(pass_index + at, marks, probability, bound)
            if moved:
                yield pass_index + at
        at += 1
        while coming < at:
            coming = next(waiting, count)


def _shares(marks: tuple[int, ...]) -> tuple[int, int, int]:
    """How many hits and rests there are, and how many of the less frequent kind."""
    hits = sum(map(bool, marks))
    return hits, len(marks) - hits, min(hits, len(marks) - hits)


def _likely(leave: float, kinds: tuple[int, int, int]) -> tuple[float, float]:
    """How likely a rest and a hit leave; see `Drift.begin_pass`."""
    hits, rests, fewer = kinds
    if not fewer:
        return leave, leave
    return leave * fewer / rests, leave * fewer / hits


def _may_leave(
    stream: int, pass_index: int, count: int, marks: tuple[int, ...], probability: float
) -> dict[int, list[int]]:
    """By pass, counted from the first, the steps that leave when nothing has drifted."""
    likely = _likely(probability, _shares(marks))
    found: dict[int, list[int]] = {}
    for step, mark in enumerate(marks):
        under = Draws(stream, pass_index, step, count).under(likely[1 if mark else 0])
        at = under.find(1)
        while at >= 0:
            found.setdefault(at, []).append(step)
            at = under.find(1, at + 1)
    return found


class _Once:
    """`Drift.begin_pass` where no more than `bound` steps differ, all of them in the pattern, and
    it is known which other ones may leave."""

    def __init__(
        self, drift: Drift, marks: tuple[int, ...], probability: float, bound: int
    ) -> None:
        self._drift, self._marks, self._bound = drift, marks, bound
        kinds = _shares(marks)
        used = [away / bound if bound else 1.0 for away in range(bound + 1)]
        # By number of changed steps: below what these return, and rests and hits leave.
        self._limits = [
            (max(probability, share), _likely(probability * (1.0 - share), kinds)) for share in used
        ]

    def __call__(self, pass_index: int, candidates: Sequence[int]) -> bool:
        """Begin a pass, in which none but these steps may leave; whether something changed."""
        drift, stream = self._drift, self._drift.stream
        before = drift.changed
        back, likely = self._limits[len(before)]
        kept = {place for place in before if chance.draw(stream, pass_index, place) >= back}
        leaving: list[tuple[float, int]] = []
        for place in candidates:
            limit = likely[1 if self._marks[place] else 0]
            drawn = chance.draw(stream, pass_index, place)
            if drawn < limit and place not in before:
                leaving.append((drawn / limit, place))
        leaving.sort()
        kept.update(place for _, place in leaving[: self._bound - len(kept)])
        if kept == before:
            return False
        drift.changed = frozenset(kept)
        return True

    def returns(self, pass_index: int) -> bool:
        """Whether a changed step returns in a pass."""
        changed, stream = self._drift.changed, self._drift.stream
        back = self._limits[len(changed)][0]
        return any(chance.draw(stream, pass_index, place) < back for place in changed)
