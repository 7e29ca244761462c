"""Musical time in ticks: rates, steps, bars and swing.

960 ticks make a quarter note. A step length is an exact `Fraction` of ticks; only the place of a
step is rounded, so triplets and free ratios never drift against the bar.
"""

from __future__ import annotations

import re
from fractions import Fraction
from typing import NamedTuple

from bridge.music.model import TICKS_PER_QUARTER

TICKS_PER_WHOLE = 4 * TICKS_PER_QUARTER
SHORTEST_STEP = Fraction(TICKS_PER_WHOLE, 256)
LONGEST_STEP = Fraction(TICKS_PER_WHOLE * 64)

_SHARE = re.compile(r"(\d{1,4})/(\d{1,4})(T|\.)?")
_RATIO = re.compile(r"(\d{1,4}):(\d{1,4})")

# A pair of sixteenths, and the finest straight grid that swing still bends (a 128th note):
# ticks off this grid belong to triplets and free ratios, which stay where they are.
SWING_STEP = TICKS_PER_QUARTER // 4
SWING_PAIR = 2 * SWING_STEP
SWING_GRID = TICKS_PER_WHOLE // 128


class Position(NamedTuple):
    """A place in the bar. `bar` and `beat` count from 1, `tick` (within the beat) from 0."""

    bar: int
    beat: int
    tick: int


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
    index = max(0, (tick - origin) * lower // upper - 1)
    while step_tick(index, step, origin) < tick:
        index += 1
    return index


def position(tick: int, meter: tuple[int, int] = (4, 4)) -> Position:
    """Bar, beat and tick of `tick`; `meter` is (beats in a bar, note value of a beat)."""
    beat_ticks = TICKS_PER_WHOLE // meter[1]
    beats, rest = divmod(tick, beat_ticks)
    bar, beat = divmod(beats, meter[0])
    return Position(bar + 1, beat + 1, rest)


def swing_offset(grid: int, percent: float) -> float:
    """
    How many ticks later the nominal tick `grid` sounds when sixteenths swing.

    `percent` of each pair of sixteenths goes to the first: 50 is straight, 66.67 is 2:1. The
    second sixteenth moves by ``480 * (percent - 50) / 100`` ticks; what lies between (32nds and
    finer) moves in proportion, so that the order of hits never changes. Ticks off the straight
    grid (triplets, free ratios) do not move.
    """
    within = grid % SWING_PAIR
    if within == 0 or grid % SWING_GRID:
        return 0.0
    if within > SWING_STEP:
        within = SWING_PAIR - within
    return within * (percent - 50.0) / 50.0


def step_swing_offset(index: int, step: Fraction, percent: float) -> float:
    """The same for a lane with a swing of its own: every second of its steps comes late.

    ``2 * step * (percent - 50) / 100`` ticks for odd `index`, 0 for even.
    """
    if not index & 1:
        return 0.0
    return float(step) * (percent - 50.0) / 50.0
