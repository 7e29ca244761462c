"""Readings of an output in, its correction out.

Two steps: a straight line (offset and gain) by least squares, then a table about an octave apart,
again by least squares over straight pieces. Errors are weighed in cents: by V/oct that is the same
everywhere, by Hz/V a millivolt counts more at low voltages, so readings are weighed by 1/volts.
A reading far from where all the others point is left out and named. Plain Python: a tuning has a
few dozen readings at most.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from bridge.errors import InputError, Problem
from bridge.music.scale import note_name
from bridge.voltage.calibration import Correction
from bridge.voltage.encode import value_code
from bridge.voltage.profile import (
    CENTS_PER_OCTAVE,
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
# When a person should look before a tuning is kept: common practice, no source.
DISAGREE_CENTS = 20.0  # between two readings of the same note
BENT_CENTS = 50.0  # from a straight line; a converter's own bends are a few cents
FAR_CENTS = 100.0  # of the lowest note before tuning: a semitone is a setting, no tolerance
STEEP = 0.03  # of gain: resistors of 1 % make two percent at most
ROUNDING_CENTS = 1e-6
RIDGE = 1e-9  # pins a table entry that no reading decides to 0 and moves no other


@dataclass(frozen=True, slots=True)
class Reading:
    """What was asked for (volts, with no correction applied) and what was measured, in volts; a
    frequency counts as the volts that would sound it."""

    asked: float
    measured: float


@dataclass(frozen=True, slots=True)
class Fit:
    """A correction and how good it is, in cents: `before`, `after` and `missed` have one value per
    reading, outliers included, in the order of the readings.

    after
        what is left once the correction plays: what the model leaves at the readings it was made
        from (only new readings prove it), and what the output cannot reach.
    missed
        the part of `after` that the output cannot reach: to be in tune it would have to go beyond
        its ends, or cannot be corrected at all.
    doubts
        those of the warnings that speak of wrong readings or a wrong setting: a person should look
        before such a tuning is kept.
    """

    correction: Correction
    before: tuple[float, ...]
    after: tuple[float, ...]
    missed: tuple[float, ...]
    outliers: tuple[int, ...]
    warnings: tuple[str, ...]
    doubts: tuple[str, ...]

    def worst(self, errors: Sequence[float]) -> float:
        """The largest error without the outliers."""
        return max(abs(e) for i, e in enumerate(errors) if i not in self.outliers)


def asked_volts(out: Output, note: float) -> float:
    """Volts that asking `out` for `note` really asks for, once rounded to a MIDI value.

    Args:
        out: a pitch output.
        note: MIDI note number, fractional allowed.
    """
    volts = clamp_volts(out, volts_of_note(out, note))
    top = TOP_CODE.get(out.address.by)
    if top is None or out.address.by == "note-velocity":
        return volts if out.bend_semitones > 0.0 else volts_of_note(out, round(note))
    return out.low + (out.high - out.low) * value_code(out, volts) / top


def cents_between(out: Output, measured: float, wanted: float) -> float:
    """How sharp one voltage sounds against another, in cents; below 0 where it is flat, not finite
    where one has no pitch (Hz/V at 0 V and below).

    Args:
        out: says by which law they sound.
        measured: volts.
        wanted: volts against which it is held.
    """
    return 100.0 * (note_of_volts(out, measured) - note_of_volts(out, wanted))


def fit(out: Output, readings: Sequence[Reading], made: str = "") -> Fit:
    """The correction of an output.

    Args:
        out: a pitch output.
        readings: at least two at different voltages, in any order.
        made: the day (ISO 8601), which stays with the correction.

    Raises:
        InputError: too few readings, not finite, no pitch at all (Hz/V at or below 0 V), all at one
            voltage, or so far from the asked voltages that something else is wrong.
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
    left = [cents_between(out, r.measured, correction.gives(out, r.asked)) for r in readings]
    missed = tuple(_missed(out, correction, r.asked) for r in readings)
    after = tuple(a + b for a, b in zip(left, missed, strict=True))
    doubts = [*_left_out(outliers, left), *_doubts(out, readings, outliers, line)]
    warnings = [*doubts, *_warnings(out, readings, correction, outliers)]
    return Fit(
        correction, before, after, missed, tuple(sorted(outliers)), tuple(warnings), tuple(doubts)
    )


def _missed(out: Output, correction: Correction, wanted: float) -> float:
    """Cents by which a note stays off because the output ends before it, or takes no correction."""
    asked = correction.ask(out, wanted) if _correctable(out) else wanted
    missed = cents_between(out, correction.gives(out, clamp_volts(out, asked)), wanted)
    return missed if abs(missed) > ROUNDING_CENTS else 0.0


def _correctable(out: Output) -> bool:
    return out.address.by != "note-pitch" or out.bend_semitones > 0.0


def _left_out(outliers: Iterable[int], left: Sequence[float]) -> Iterator[str]:
    for i in sorted(outliers):
        yield (
            f"reading {i + 1} is {left[i]:+.0f} cents away from the others and was left "
            "out; take it again"
        )


def _doubts(
    out: Output, readings: Sequence[Reading], outliers: set[int], line: Correction
) -> Iterator[str]:
    """Why the readings that were used may be wrong all the same. A table an octave apart bends to
    whatever it is given, so it is the straight line that they are held against."""
    kept = [r for i, r in enumerate(readings) if i not in outliers]
    for asked in sorted({r.asked for r in kept}):
        same = [r.measured for r in kept if r.asked == asked]
        apart = cents_between(out, max(same), min(same))
        if apart > DISAGREE_CENTS:
            yield (
                f"the readings of {note_name(note_of_volts(out, asked))} are {apart:.0f} cents "
                "apart: one of them is wrong"
            )
    bent = [(cents_between(out, r.measured, line.gives(out, r.asked)), r.asked) for r in kept]
    cents, asked = max(bent, key=lambda pair: abs(pair[0]))
    if abs(cents) > BENT_CENTS:
        yield (
            f"{note_name(note_of_volts(out, asked))} is {cents:+.0f} cents away from a straight "
            "line through all readings: take it and its neighbours again"
        )
    lowest = min(r.asked for r in kept)
    cents = cents_between(out, line.gives(out, lowest), lowest)
    if abs(cents) > FAR_CENTS:
        octaves = abs(cents) / CENTS_PER_OCTAVE
        about = f" ({octaves:.1f} octaves)" if octaves > 0.9 else ""
        yield (
            f"all notes are off by about {abs(cents):.0f} cents{about}, more than a tuning is for: "
            "check the unit of the readings, the octave of the oscillator, and reference_note in "
            "the profile"
        )
    if abs(line.gain - 1.0) > STEEP:
        yield (
            f"the gain is off by {100 * (line.gain - 1):+.1f} percent, more "
            "than usual: trim the oscillator or the interface first if it can be"
        )


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
    gain = statistics.median(slopes)
    offset = statistics.median(r.measured - gain * r.asked for r in readings)
    scale = [_weight(out, r) for r in readings]
    away = [
        w * (r.measured - offset - gain * r.asked) for w, r in zip(scale, readings, strict=True)
    ]
    # Cents per weighted volt: exact for V/oct, to first order for Hz/V.
    factor = 1200.0 / math.log(2.0) if out.law == "hz/v" else 1200.0 / out.volts_per_octave
    middle = statistics.median(away)
    spread = 1.4826 * statistics.median(abs(a - middle) for a in away)
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


def _warnings(
    out: Output, readings: Sequence[Reading], correction: Correction, outliers: set[int]
) -> list[str]:
    said: list[str] = []
    kept = len(readings) - len(outliers)
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
    if not _correctable(out):
        said.append("this output plays whole semitones only: a correction cannot be applied")
    else:
        half = step_cents(out) / 2
        if half > 2.4:
            said.append(f"its steps are {2 * half:.1f} cents, so up to {half:.1f} cents stay")
    low, high = sorted((out.low, out.high))
    bottom, top = correction.gives(out, low), correction.gives(out, high)
    if bottom > low + 1e-9 and out.law == "v/oct":
        said.append(
            f"the lowest {cents_between(out, bottom, low):.1f} cents of the range cannot be reached"
        )
    if top < high - 1e-9:
        said.append(
            f"the highest {cents_between(out, high, top):.1f} cents of the range cannot be reached"
        )
    return said
