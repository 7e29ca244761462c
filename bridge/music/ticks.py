"""Musical time in ticks: rates, steps, bars and swing.

960 ticks make a quarter note. A step length is an exact `Fraction` of ticks; only the place of a
step is rounded, so triplets and free ratios never drift against the bar.
"""

from __future__ import annotations

import re
from fractions import Fraction
from math import floor
from typing import NamedTuple

from bridge.music.model import TICKS_PER_QUARTER, SetSpec

TICKS_PER_WHOLE = 4 * TICKS_PER_QUARTER
NEVER = 1 << 62
"""Later than any tick."""
SHORTEST_STEP = Fraction(TICKS_PER_WHOLE, 256)
LONGEST_STEP = Fraction(TICKS_PER_WHOLE * 64)

USUAL_RATES = (
    *("8/1", "4/1", "2/1", "1/1", "1/2", "1/4", "1/8", "1/16", "1/32"),
    *("1/4T", "1/8T", "1/16T", "1/4.", "1/8.", "3/8", "3/16", "3:4"),
)
"""Rates that an editor offers; any other may be written."""

_SHARE = re.compile(r"(\d{1,4})/(\d{1,4})(T|\.)?")
_RATIO = re.compile(r"(\d{1,4}):(\d{1,4})")

# What the set's swing bends: sixteenths or eighths, down to the finest straight grid (a 128th
# note); ticks off this grid belong to triplets and free ratios, which stay where they are.
GROOVE_STEP = TICKS_PER_QUARTER // 4
SWING_GRID = TICKS_PER_WHOLE // 128
STRAIGHT = 50.0
"""Percent of a pair of steps that its first has without any swing."""

_ROUNDED = 0.5  # the place of a step is at most this far from the whole tick it is played at


class Position(NamedTuple):
    """A place in the bar. `bar` and `beat` count from 1, `tick` (within the beat) from 0."""

    bar: int
    beat: int
    tick: int

    @property
    def words(self) -> str:
        """``bar 3 beat 2``."""
        return f"bar {self.bar} beat {self.beat}"


def parse_rate(text: str) -> Fraction:
    """
    The step length that `text` names, in ticks.

    ``1/16`` is a sixteenth (240 ticks); ``T`` after it makes a triplet (two thirds), ``.`` a
    dotted note (three halves); any ``p/q`` of a whole note may be written (``3/32``).
    ``3:4`` is a free ratio: 3 steps in the time of 4 quarters (1280 ticks each).

    Raises:
        ValueError: not a rate, or shorter than 1/256 or longer than 64 whole notes.

    """
    written = text.strip()
    if found := _SHARE.fullmatch(written):
        upper, lower = int(found[1]), int(found[2])
        if lower == 0:
            raise ValueError(f"{written!r} divides by zero")
        step = Fraction(TICKS_PER_WHOLE * upper, lower)
        if found[3] == "T":
            step = step * 2 / 3
        elif found[3] == ".":
            step = step * 3 / 2
    elif found := _RATIO.fullmatch(written):
        steps, quarters = int(found[1]), int(found[2])
        if steps == 0:
            raise ValueError(f"{written!r} has no steps")
        step = Fraction(TICKS_PER_QUARTER * quarters, steps)
    else:
        raise ValueError(
            f"{written!r} is not a rate; write 1/16, 1/8T (triplet), 1/8. (dotted), 3/32 "
            "or 3:4 (3 steps in the time of 4 quarters)"
        )
    if not SHORTEST_STEP <= step <= LONGEST_STEP:
        raise ValueError(f"{written!r} is out of range: from 1/256 to 64/1")
    return step


def rate_text(step: Fraction) -> str:
    """A rate that reads back as `step`, in its usual form: ``1/8T`` and not ``1/12``."""
    share = Fraction(step) / TICKS_PER_WHOLE
    for factor, mark in ((Fraction(1), ""), (Fraction(3, 2), "T"), (Fraction(2, 3), ".")):
        plain = share * factor
        if plain.numerator == 1 and plain.denominator & (plain.denominator - 1) == 0:
            return f"1/{plain.denominator}{mark}"
    return f"{share.numerator}/{share.denominator}"


def step_tick(index: int, step: Fraction, origin: int = 0) -> int:
    """The tick of step `index` (from 0) counted from `origin`; halves round up."""
    upper, lower = step.numerator, step.denominator
    return origin + (2 * index * upper + lower) // (2 * lower)


def first_step_from(tick: int, step: Fraction, origin: int = 0) -> int:
    """The index of the first step at or after `tick`, never below 0."""
    upper, lower = step.numerator, step.denominator
    return max(0, -((lower - 2 * lower * (tick - origin)) // (2 * upper)))


def position(tick: int, meter: tuple[int, int] = (4, 4)) -> Position:
    """The place of a tick; bars and beats count from 1, the ticks in a beat from 0.

    Args:
        tick: counted from the song's beginning.
        meter: beats in a bar, and the note value of a beat: ``(7, 8)``.
    """
    beat_ticks = TICKS_PER_WHOLE // meter[1]
    beats, rest = divmod(tick, beat_ticks)
    bar, beat = divmod(beats, meter[0])
    return Position(bar + 1, beat + 1, rest)


class Bend(NamedTuple):
    """
    One swing: how many ticks later it makes any place of the grid sound.

    `percent` of each pair of steps goes to the first: 50 is straight, 66.67 is 2:1. The second
    step of a pair moves by ``2 * step * (percent - 50) / 100`` ticks; what lies between two steps
    moves in proportion, so that the order of hits never changes. Pairs begin at each bar line
    (`bar` ticks apart), and what is left at the end of a bar without a partner stays where it is,
    so a downbeat is never late; with `bar` 0 they are counted from `origin` on. With `binary` only
    places of the straight grid move: triplets and free ratios stay.
    """

    percent: float
    step: float
    bar: int = 0
    origin: int = 0
    binary: bool = False

    def at(self, grid: int) -> float:
        """The ticks that this swing adds at `grid`."""
        along = grid % self.bar if self.bar else grid - self.origin
        if self.binary and along % SWING_GRID:
            return 0.0
        steps = along / self.step
        near = floor(steps + 0.5)
        if abs(along - near * self.step) <= _ROUNDED:
            steps = near
        pair = floor(steps / 2)
        if self.bar and (2 * pair + 2) * self.step > self.bar + _ROUNDED:
            return 0.0
        within = steps - 2 * pair
        return min(within, 2 - within) * self.step * (self.percent - STRAIGHT) / STRAIGHT


class Groove(NamedTuple):
    """
    A timing that was played: how much later any place of the straight grid sounds.

    `shares` belong to the sixteenths from each bar line (`bar` ticks apart) on, come round by
    themselves, and are parts of a sixteenth, -0.5 to 0.5. What lies between two sixteenths moves
    in proportion, so that the order of hits never changes.
    """

    shares: tuple[float, ...]
    bar: int

    def at(self, grid: int) -> float:
        """The ticks that it adds at `grid`."""
        along = grid % self.bar
        if along % SWING_GRID:
            return 0.0
        step, rest = divmod(along, GROOVE_STEP)
        here = self.shares[step % len(self.shares)]
        if not rest:
            return here * GROOVE_STEP
        last = (step + 1) * GROOVE_STEP >= self.bar
        there = self.shares[0 if last else (step + 1) % len(self.shares)]
        return here * GROOVE_STEP + (there - here) * rest


Bends = tuple[Bend | Groove, ...]


class Swing:
    """The swing of one lane: which bends it makes of a percentage, the set's groove among them."""

    def __init__(self, step: Fraction, spec: SetSpec, own: bool = False, led: bool = False) -> None:
        """`step` is the lane's step and `own` whether it has a swing of its own; `led` lanes are
        moved by or derived from others, and only have their own."""
        in_bar = spec.bar_ticks / step
        whole = in_bar.denominator == 1 and in_bar > 1
        self._own = own or led
        self._step = float(step) if self._own else float(spec.swing_step)
        self._bar = spec.bar_ticks if whole or not self._own else 0
        self._still = not self._own and not (step.denominator == 1 and step % SWING_GRID == 0)
        grooves = spec.groove and not self._own
        self._groove: Bends = (Groove(spec.groove, spec.bar_ticks),) if grooves else ()
        self._bend: Bend | None = None
        self._bends: Bends = ()

    def bends(self, percent: float, origin: int = 0) -> Bends:
        """Nothing when `percent` is straight and there is no groove, or the lane's rate does not
        swing. `origin` is where the lane began to count its steps."""
        if self._still:
            return ()
        if percent == STRAIGHT:
            return self._groove
        kept = self._bend
        if kept is None or kept.percent != percent or kept.origin != origin:
            kept = Bend(percent, self._step, self._bar, origin, binary=not self._own)
            self._bend, self._bends = kept, (kept, *self._groove)
        return self._bends
