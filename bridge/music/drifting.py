"""Drift over many passes at once, as `pattern.Drift` does it pass by pass.

In most passes nothing changes, and that can be seen without working them out: as long as nothing has
drifted, a step leaves most easily, so the draws below that limit name the only passes in which one
may; and what has drifted stays where its own draw is not below the share that is used up.
"""

from __future__ import annotations

from collections.abc import Iterator

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
        if len(drift.changed) > bound:
            if drift.begin_pass(pass_index, marks, probability, bound):
                yield pass_index
        return
    leaving = _may_leave(drift.stream, pass_index, count, marks, probability)
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
        if not regular or at == coming or _returns(drift, pass_index + at, probability, bound):
            if regular:
                moved = _begin(drift, pass_index + at, marks, probability, bound, leaving.get(at))
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


def _returns(drift: Drift, pass_index: int, probability: float, bound: int) -> bool:
    """Whether a changed step returns in this pass."""
    changed = drift.changed
    if not changed:
        return False
    back = max(probability, len(changed) / bound)
    return any(chance.draw(drift.stream, pass_index, place) < back for place in changed)


def _begin(
    drift: Drift,
    pass_index: int,
    marks: tuple[int, ...],
    probability: float,
    bound: int,
    candidates: list[int] | None,
) -> bool:
    """`Drift.begin_pass` where no more than `bound` steps differ, all of them in the pattern, and
    only `candidates` may leave."""
    stream, before = drift.stream, drift.changed
    used = len(before) / bound if bound else 1.0
    back = max(probability, used)
    kept = {place for place in before if chance.draw(stream, pass_index, place) >= back}
    if candidates:
        likely = _likely(probability * (1.0 - used), _shares(marks))
        leaving: list[tuple[float, int]] = []
        for place in candidates:
            limit = likely[1 if marks[place] else 0]
            drawn = chance.draw(stream, pass_index, place)
            if drawn < limit and place not in before:
                leaving.append((drawn / limit, place))
        leaving.sort()
        kept |= {place for _, place in leaving[: bound - len(kept)]}
    drift.changed = frozenset(kept)
    return drift.changed != before
