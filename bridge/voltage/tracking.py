"""How a voice turns volts into pitch, from what was heard of it: is it the law of its profile?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bridge.voltage.profile import CENTS_PER_OCTAVE, Output

FEWEST = 4
CLOSE_CENTS = 60.0
"""A law that leaves more than this at some note is not that of the voice."""
OTHER_SCALE = 0.08
"""Volts an octave that differ by more than this part are another standard: oscillators are trimmed
to better than 3 percent, and 1 V and 1.2 V lie 20 percent apart (common practice, no source)."""
STILL = 0.75
"""A step that moves the pitch by less than this part of what it should is beyond the range."""

Heard = tuple[float, float]
"""Volts that were asked for, and the Hz that were heard."""


@dataclass(frozen=True, slots=True)
class Law:
    """One way of tracking: `says` is it in words, `worst` the cents that it leaves at most."""

    says: str
    volts_per_octave: float | None
    worst: float


def profile_says(out: Output) -> str:
    """The standard of a pitch output, in words: ``1 V/oct``, ``Hz/V``."""
    if out.law == "hz/v":
        return "Hz/V"
    return f"{out.volts_per_octave:g} V/oct"


def other_standard(out: Output, heard: Sequence[Heard]) -> str:
    """What the voice tracks, in words, when that is another standard than the profile says; empty
    when it is the same, or when too little was heard to say.

    Args:
        out: the pitch output, by its profile.
        heard: volts that were asked for and Hz above 0, in any order; at `FEWEST` voltages or more.
    """
    if len({volts for volts, _ in heard}) < FEWEST:
        return ""
    by_octave, by_hertz = _octaves(heard), _hertz(heard)
    if out.law == "hz/v":
        return by_octave.says if by_octave.worst < CLOSE_CENTS < by_hertz.worst else ""
    if by_hertz.worst < CLOSE_CENTS < by_octave.worst:
        return by_hertz.says
    scale = by_octave.volts_per_octave
    if by_octave.worst < CLOSE_CENTS and scale is not None:
        apart = abs(scale / out.volts_per_octave - 1.0)
        return by_octave.says if apart > OTHER_SCALE else ""
    return ""


def still(out: Output, heard: Sequence[Heard]) -> tuple[set[int], set[int]]:
    """Where the pitch no longer moves with the volts; nowhere by Hz/V, which is not looked at.

    Args:
        out: the pitch output, by its profile.
        heard: volts that were asked for, ascending, and Hz above 0.

    Returns:
        Places in `heard`: those below the voice's range, and those above.
    """
    if out.law == "hz/v" or len(heard) < FEWEST:
        return set(), set()

    def moves(i: int) -> bool:
        """Whether the step from place i to the next one is heard."""
        (v0, f0), (v1, f1) = heard[i], heard[i + 1]
        wanted = CENTS_PER_OCTAVE * (v1 - v0) / out.volts_per_octave
        return CENTS_PER_OCTAVE * math.log2(f1 / f0) > STILL * wanted

    steps = [moves(i) for i in range(len(heard) - 1)]
    if not any(steps):
        return set(), set()
    first = steps.index(True)
    last = len(steps) - 1 - steps[::-1].index(True)
    return set(range(first)), set(range(last + 2, len(heard)))


def _octaves(heard: Sequence[Heard]) -> Law:
    """V/oct: pitch in octaves is a straight line over volts."""
    pitch = [math.log2(hertz) for _, hertz in heard]
    base, slope = _line([volts for volts, _ in heard], pitch, [1.0] * len(heard))
    left = [
        CENTS_PER_OCTAVE * (p - base - slope * v) for (v, _), p in zip(heard, pitch, strict=True)
    ]
    if slope <= 0.0:
        return Law("no V/oct", None, math.inf)
    scale = 1.0 / slope
    return Law(f"about {scale:.2g} V/oct", scale, max(map(abs, left)))


def _hertz(heard: Sequence[Heard]) -> Law:
    """Hz/V: pitch in Hz is a straight line over volts, weighed so that cents count."""
    base, slope = _line(
        [volts for volts, _ in heard],
        [hertz for _, hertz in heard],
        [1.0 / hertz**2 for _, hertz in heard],
    )
    worst = 0.0
    for volts, hertz in heard:
        model = base + slope * volts
        away = CENTS_PER_OCTAVE * math.log2(model / hertz) if model > 0.0 else math.inf
        worst = max(worst, abs(away))
    return Law(f"about {slope:.3g} Hz/V", None, worst if slope > 0.0 else math.inf)


def _line(x: Sequence[float], y: Sequence[float], w: Sequence[float]) -> tuple[float, float]:
    """Weighted least squares: where the line is at 0, and its slope."""
    total = sum(w)
    mx = sum(a * b for a, b in zip(w, x, strict=True)) / total
    my = sum(a * b for a, b in zip(w, y, strict=True)) / total
    across = sum(a * (b - mx) ** 2 for a, b in zip(w, x, strict=True))
    along = sum(a * (b - mx) * (c - my) for a, b, c in zip(w, x, y, strict=True))
    slope = along / across
    return my - slope * mx, slope
