"""Readings of an output in, its correction out.

Two steps: a straight line (offset and gain) by least squares, then a table about an octave apart,
again by least squares over straight pieces. Errors are weighed in cents: by V/oct that is the same
everywhere, by Hz/V a millivolt counts more at low voltages, so readings are weighed by 1/volts.
A reading far from where all the others point is left out and named. Plain Python: a tuning has a
few dozen readings at most.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from bridge.errors import InputError, Problem
from bridge.voltage.calibration import Correction
from bridge.voltage.encode import value_code
from bridge.voltage.profile import (
    TOP_CODE,
    Output,
    clamp_volts,
    note_of_volts,
    step_cents,
    volts_of_note,
)

FEWEST = 2
FEWEST_FOR_TABLE = 4
FEWEST_FOR_OUTLIERS = 5
KNOT_SEMITONES = 12.0
OUTLIER_CENTS = 12.0  # never doubt a reading that is nearer than this
OUTLIER_SPREADS = 5.0  # and not within this many standard deviations (from the median) either
STEEPEST = 1.5  # gains outside 1/1.5..1.5 are wrong readings, not tuning
RIDGE = 1e-9  # pins a table entry that no reading decides to 0 and moves no other


@dataclass(frozen=True, slots=True)
class Reading:
    """What was asked for (volts, with no correction applied) and what was measured, in volts; a
    frequency counts as the volts that would sound it."""

    asked: float
    measured: float


@dataclass(frozen=True, slots=True)
class Fit:
    """A correction and how good it is, in cents: `before` and `after` have one error per reading,
    outliers included, in the order of the readings. `after` is what the model leaves at the
    readings it was made from; only new readings prove it."""

    correction: Correction
    before: tuple[float, ...]
    after: tuple[float, ...]
    outliers: tuple[int, ...]
    warnings: tuple[str, ...]

    def worst(self, errors: Sequence[float]) -> float:
        """The largest error without the outliers."""
        return max(abs(e) for i, e in enumerate(errors) if i not in self.outliers)


def asked_volts(out: Output, note: float) -> float:
    """Volts that asking `out` for `note` really asks for, once rounded to a MIDI value."""
    volts = clamp_volts(out, volts_of_note(out, note))
    top = TOP_CODE.get(out.address.by)
    if top is None or out.address.by == "note-velocity":
        return volts if out.bend_semitones > 0.0 else volts_of_note(out, round(note))
    return out.low + (out.high - out.low) * value_code(out, volts) / top


def cents_between(out: Output, measured: float, wanted: float) -> float:
    """How sharp `measured` volts sound against `wanted` volts."""
    return 100.0 * (note_of_volts(out, measured) - note_of_volts(out, wanted))


def fit(out: Output, readings: Sequence[Reading], made: str = "") -> Fit:
    """The correction of `out` from at least two readings at different voltages.

    Raises:
        InputError: too few readings, not finite, no pitch at all (Hz/V at or below 0 V), all at
            one voltage, or so far from the asked voltages that something else is wrong.
    """
    _refuse_bad(out, readings)
    before = tuple(cents_between(out, r.measured, r.asked) for r in readings)
    outliers = _outliers(out, readings)
    kept = [r for i, r in enumerate(readings) if i not in outliers]
    offset, gain = _line(out, kept)
    if not 1.0 / STEEPEST <= gain <= STEEPEST:
        _refuse(
            f"the output changes {gain:.3g} V for each volt asked for; check the meter, the "
            "cable and whether the readings stand in the right order"
        )
    line = Correction(offset, gain)
    table = _table(out, kept, line)
    correction = Correction(offset, gain, table, made)
    after = tuple(cents_between(out, r.measured, correction.gives(out, r.asked)) for r in readings)
    result = Fit(correction, before, after, tuple(sorted(outliers)), ())
    warnings = tuple(_warnings(out, readings, result))
    return Fit(correction, before, after, result.outliers, warnings)


def _refuse(message: str) -> None:
    raise InputError([Problem(message, path="readings")])


def _refuse_bad(out: Output, readings: Sequence[Reading]) -> None:
    problems = []
    for i, reading in enumerate(readings):
        if not (math.isfinite(reading.asked) and math.isfinite(reading.measured)):
            problems.append(Problem("is not a finite voltage", path=f"readings.{i}"))
        elif out.law == "hz/v" and (reading.measured <= 0.0 or reading.asked <= 0.0):
            problems.append(Problem("has no pitch: by Hz/V, 0 V is 0 Hz", path=f"readings.{i}"))
    if problems:
        raise InputError(problems)
    if len({reading.asked for reading in readings}) < FEWEST:
        _refuse(
            f"at least {FEWEST} readings at different voltages are needed, "
            f"there {'is' if len(readings) == 1 else 'are'} {len(readings)}"
        )


def _weight(out: Output, reading: Reading) -> float:
    """How many cents a volt is at this reading, but for a factor that is the same for all."""
    return 1.0 / reading.asked if out.law == "hz/v" else 1.0


def _line(out: Output, readings: Sequence[Reading]) -> tuple[float, float]:
    """Offset and gain by weighted least squares."""
    weights = [_weight(out, r) ** 2 for r in readings]
    total = math.fsum(weights)
    x = math.fsum(w * r.asked for w, r in zip(weights, readings, strict=True)) / total
    y = math.fsum(w * r.measured for w, r in zip(weights, readings, strict=True)) / total
    over = math.fsum(
        w * (r.asked - x) * (r.measured - y) for w, r in zip(weights, readings, strict=True)
    )
    under = math.fsum(w * (r.asked - x) ** 2 for w, r in zip(weights, readings, strict=True))
    gain = over / under
    return y - gain * x, gain


def _outliers(out: Output, readings: Sequence[Reading]) -> set[int]:
    """Readings far from a line through the median slope (Theil and Sen), which a few wild ones do
    not move; by their distance from the median distance."""
    if len(readings) < FEWEST_FOR_OUTLIERS:
        return set()
    slopes = [
        (b.measured - a.measured) / (b.asked - a.asked)
        for i, a in enumerate(readings)
        for b in readings[i + 1 :]
        if b.asked != a.asked
    ]
    gain = median(slopes)
    offset = median(r.measured - gain * r.asked for r in readings)
    scale = [_weight(out, r) for r in readings]
    away = [
        w * (r.measured - offset - gain * r.asked) for w, r in zip(scale, readings, strict=True)
    ]
    # Cents per weighted volt: exact for V/oct, to first order for Hz/V.
    factor = 1200.0 / math.log(2.0) if out.law == "hz/v" else 1200.0 / out.volts_per_octave
    middle = median(away)
    spread = 1.4826 * median(abs(a - middle) for a in away)
    limit = max(OUTLIER_CENTS / factor, OUTLIER_SPREADS * spread)
    found = {i for i, a in enumerate(away) if abs(a - middle) > limit}
    if len(readings) - len(found) < FEWEST:
        return set()
    kept = {r.asked for i, r in enumerate(readings) if i not in found}
    return found if len(kept) >= FEWEST else set()


def _table(
    out: Output, readings: Sequence[Reading], line: Correction
) -> tuple[tuple[float, float], ...]:
    """What the line leaves, in cents, at knots about an octave apart."""
    notes = [note_of_volts(out, line.gives(out, r.asked)) for r in readings]
    lowest, highest = min(notes), max(notes)
    if not math.isfinite(lowest) or len(readings) < FEWEST_FOR_TABLE:
        return ()
    pieces = round((highest - lowest) / KNOT_SEMITONES)
    pieces = min(pieces, len(set(notes)) - 1)
    if pieces < 1:
        return ()
    knots = [lowest + (highest - lowest) * k / pieces for k in range(pieces + 1)]
    knots = _decided(knots, notes)
    errors = [cents_between(out, r.measured, line.gives(out, r.asked)) for r in readings]
    cents = _pieces(knots, notes, errors)
    return tuple((knot, value) for knot, value in zip(knots, cents, strict=True))


def _decided(knots: list[float], notes: Sequence[float]) -> list[float]:
    """Without the inner knots that have no reading close enough to say anything of them."""
    kept = [knots[0]]
    for k in range(1, len(knots) - 1):
        reach = knots[k] - knots[k - 1]
        if any(abs(note - knots[k]) <= reach / 2 for note in notes):
            kept.append(knots[k])
    return [*kept, knots[-1]]


def _pieces(knots: list[float], notes: Sequence[float], errors: Sequence[float]) -> list[float]:
    """Least squares over straight pieces: the normal equations of hat functions have only a main
    and one side diagonal, so one sweep down and one up solves them."""
    size = len(knots)
    main, side, right = [RIDGE] * size, [0.0] * size, [0.0] * size
    for note, error in zip(notes, errors, strict=True):
        k = min(max(sum(knot <= note for knot in knots) - 1, 0), size - 2)
        t = (note - knots[k]) / (knots[k + 1] - knots[k])
        main[k] += (1 - t) ** 2
        main[k + 1] += t**2
        side[k] += t * (1 - t)
        right[k] += (1 - t) * error
        right[k + 1] += t * error
    for k in range(1, size):
        factor = side[k - 1] / main[k - 1]
        main[k] -= factor * side[k - 1]
        right[k] -= factor * right[k - 1]
    values = [0.0] * size
    for k in range(size - 1, -1, -1):
        above = side[k] * values[k + 1] if k + 1 < size else 0.0
        values[k] = (right[k] - above) / main[k]
    return values


def _warnings(out: Output, readings: Sequence[Reading], result: Fit) -> list[str]:
    said: list[str] = []
    for i in result.outliers:
        said.append(
            f"reading {i + 1} is {result.after[i]:+.0f} cents away from the others and was left "
            "out; take it again"
        )
    kept = len(readings) - len(result.outliers)
    asked = [r.asked for r in readings]
    octaves = abs(note_of_volts(out, max(asked)) - note_of_volts(out, min(asked))) / 12.0
    if kept < FEWEST_FOR_TABLE:
        said.append(
            f"{kept} readings give offset and gain only; {FEWEST_FOR_TABLE} or more also "
            "give a table by octave"
        )
    elif kept < octaves:
        said.append(f"{kept} readings over {octaves:.0f} octaves: one in each octave is better")
    if octaves < 2.0:
        said.append(f"the readings span {octaves:.1f} octaves; outside of them it is a guess")
    if abs(result.correction.gain - 1.0) > 0.05:
        said.append(
            f"the gain is off by {100 * (result.correction.gain - 1):+.1f} percent, more "
            "than usual: trim the oscillator or the interface first if it can be"
        )
    if out.address.by == "note-pitch" and out.bend_semitones <= 0.0:
        said.append("this output plays whole semitones only: a correction cannot be applied")
    else:
        half = step_cents(out) / 2
        if half > 2.4:
            said.append(f"its steps are {2 * half:.1f} cents, so up to {half:.1f} cents stay")
    low, high = sorted((out.low, out.high))
    bottom, top = result.correction.gives(out, low), result.correction.gives(out, high)
    if bottom > low + 1e-9 and out.law == "v/oct":
        said.append(
            f"the lowest {cents_between(out, bottom, low):.1f} cents of the range cannot be reached"
        )
    if top < high - 1e-9:
        said.append(
            f"the highest {cents_between(out, high, top):.1f} cents of the range cannot be reached"
        )
    return said
