"""What the manual says of feel, worked out by another way than the program's.

Nothing here reads the program. Swing is `numpy.interp` over the pairs of a bar; a derived lane is
a predicate over ticks and a rule for its cause; a groove is a function from a place on the grid to
ticks. Humanised hits are taken as they were heard, for chance has no oracle.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

Warp = Callable[[int], float]


def pairs(step: Fraction, percent: float, start: int, end: int) -> tuple[list[float], list[float]]:
    """Knots of the straight lines that swing makes of the whole pairs from `start` to `end`."""
    straight, bent = [float(start)], [float(start)]
    at = Fraction(start)
    while at + 2 * step <= end:
        straight += [float(at + step), float(at + 2 * step)]
        bent += [float(at + 2 * step * Fraction(percent) / 100), float(at + 2 * step)]
        at += 2 * step
    return [*straight, float(end)], [*bent, float(end)]


def warp_of(step: Fraction, percent: float, bar: int) -> Warp:
    """Ticks that swing adds at a place; pairs begin at each bar line, or count from the start where
    the bar does not hold two or more whole steps."""
    if bar % step or bar < 2 * step:
        bar = int(10_000 * step)
    straight, bent = pairs(step, percent, 0, bar)
    return lambda grid: float(np.interp(grid % bar, straight, bent)) - grid % bar


def of_set(percent: float, bar: int) -> Warp:
    """The swing of the set: what is no 128th stays where it is (triplets, free ratios)."""
    warp = warp_of(Fraction(240), percent, bar)
    return lambda grid: warp(grid) if grid % 30 == 0 else 0.0


@dataclass(frozen=True)
class Groove:
    """How far a hit is off its place: what goes with it anywhere, and what the place says."""

    late: float = 0.0
    warps: tuple[Warp, ...] = ()
    caused: bool = True

    def at(self, grid: int) -> float:
        return self.late + sum(warp(grid) for warp in self.warps)

    def plus(self, other: Groove) -> Groove:
        return Groove(self.late + other.late, self.warps + other.warps, self.caused)


@dataclass(frozen=True)
class Told:
    """One lane as it is known: grooves of its hits by place; those that are there when nobody is
    out, and those that other lanes hear."""

    hits: Mapping[int, Groove]
    written: Collection[int]
    heard: Collection[int]


Lanes = Mapping[str, Told]


class Saying:
    """An expression: whether it is `true` at a place, as written or as heard, and the groove of
    what makes it so (None: no hit does)."""

    def true(self, lanes: Lanes, grid: int, heard: bool) -> bool:
        raise NotImplementedError

    def cause(self, lanes: Lanes, grid: int, heard: bool) -> Groove | None:
        raise NotImplementedError


@dataclass(frozen=True)
class Named(Saying):
    name: str

    def __str__(self) -> str:
        return self.name

    def true(self, lanes: Lanes, grid: int, heard: bool) -> bool:
        lane = lanes[self.name]
        return grid in (lane.heard if heard else lane.written)

    def cause(self, lanes: Lanes, grid: int, heard: bool) -> Groove | None:
        return lanes[self.name].hits[grid] if self.true(lanes, grid, heard) else None


@dataclass(frozen=True)
class Nor(Saying):
    part: Saying

    def __str__(self) -> str:
        return f"not {self.part}"

    def true(self, lanes: Lanes, grid: int, heard: bool) -> bool:
        return not self.part.true(lanes, grid, heard)

    def cause(self, lanes: Lanes, grid: int, heard: bool) -> Groove | None:
        return None


@dataclass(frozen=True)
class Joined(Saying):
    word: str
    first: Saying
    second: Saying

    def __str__(self) -> str:
        return f"({self.first} {self.word} {self.second})"

    def true(self, lanes: Lanes, grid: int, heard: bool) -> bool:
        both = (self.first.true(lanes, grid, heard), self.second.true(lanes, grid, heard))
        return {"and": all(both), "or": any(both), "xor": both[0] is not both[1]}[self.word]

    def cause(self, lanes: Lanes, grid: int, heard: bool) -> Groove | None:
        if not self.true(lanes, grid, heard):
            return None
        found = [part.cause(lanes, grid, heard) for part in (self.first, self.second)]
        known = [groove for groove in found if groove is not None]
        return next((groove for groove in known if groove.caused), known[0] if known else None)


@dataclass(frozen=True)
class Delayed(Saying):
    part: Saying
    rate: str
    ticks: int

    def __str__(self) -> str:
        return f"delay({self.part}, {self.rate})"

    def true(self, lanes: Lanes, grid: int, heard: bool) -> bool:
        return self.part.true(lanes, grid - self.ticks, heard)

    def cause(self, lanes: Lanes, grid: int, heard: bool) -> Groove | None:
        # A hit that is there in both ways is delayed as it was heard.
        before = grid - self.ticks
        as_heard = heard or self.part.true(lanes, before, True)
        return self.part.cause(lanes, before, as_heard)
