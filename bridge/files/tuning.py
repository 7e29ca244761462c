"""What tuning has measured, kept beside the rig.

`rig.yaml` has `rig.tuning.yaml` next to it: for each tuned output the correction, the day, and the
readings it came from. Every change leaves a dated copy, so the last one can be undone.
"""

from __future__ import annotations

import math
import re
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Annotated, ClassVar

from pydantic import Field

from bridge.errors import InputError, Problem
from bridge.files import edit
from bridge.files.document import MAX_BYTES, Document, decode, in_order
from bridge.files.read import read_input
from bridge.files.rig import Rig
from bridge.files.store import backups, save
from bridge.files.strict import Limits, Name, Reads, Strict, check
from bridge.music.scale import note_name, parse_note
from bridge.protocol.state import TuningRow
from bridge.voltage.calibration import Correction
from bridge.voltage.least_squares import Fit, Reading, asked_volts, cents_between
from bridge.voltage.profile import Output, note_of_volts, volts_of_note

_OUTPUT = re.compile(r"[a-z][a-z0-9-]{0,31}\.[a-z][a-z0-9-]{0,31}")
_NUMBER = r"[-+]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]+)?"
_VOLTS = re.compile(rf"({_NUMBER})\s*(mV|V|v)?")
_HERTZ = re.compile(rf"({_NUMBER})\s*(k?)[Hh][Zz]")
_NOTE = re.compile(rf"([A-Ga-g][#b]?-?[0-9]+)\s*(?:({_NUMBER})\s*(?:c|ct|cents?)?)?")
MOST_READINGS = 256
SURPRISE_CENTS = 300.0  # a reading further from what is expected is asked about: it is most likely
# a slip of the unit, the octave or the note (common practice, no source)


@dataclass(frozen=True, slots=True)
class Tuning:
    """The tuning of one output: its correction, the profile it was made with, its readings."""

    correction: Correction
    profile: str
    readings: tuple[Reading, ...] = ()


# --- the file ----------------------------------------------------------------------------------


def read_output(value: object) -> str:
    """The full name of an output. ValueError for anything else."""
    if not isinstance(value, str) or not _OUTPUT.fullmatch(value):
        raise ValueError("must be an output, as in main.pitch-1")
    return value


def read_date(value: object) -> str:
    """A date and time as it is written (ISO 8601, to the second). Raises ValueError."""
    try:
        return datetime.fromisoformat(str(value)).isoformat(timespec="seconds")
    except ValueError:
        raise ValueError("must be a date, as in 2026-01-31T21:05:00") from None


def _pairs(value: object) -> tuple[tuple[float, float], ...]:
    if not isinstance(value, list) or len(value) > MOST_READINGS:
        raise ValueError(f"must be a list of at most {MOST_READINGS} pairs of numbers")
    for pair in value:
        if not isinstance(pair, list) or len(pair) != 2:
            raise ValueError("must be pairs of numbers, as in [36, -1.5]")
        if any(isinstance(n, bool) or not isinstance(n, int | float) for n in pair):
            raise ValueError("must be pairs of numbers, as in [36, -1.5]")
    return tuple((float(a), float(b)) for a, b in value)


def _table(value: object) -> tuple[tuple[float, float], ...]:
    pairs = _pairs(value)
    notes = [note for note, _ in pairs]
    if sorted(set(notes)) != notes:
        raise ValueError("must have its notes in ascending order, each once")
    if any(abs(cents) > 1200 for _, cents in pairs):
        raise ValueError("must stay within 1200 cents")
    return pairs


OutputName = Annotated[str, Reads(read_output, "INTERFACE.OUTPUT")]


class TuningModel(Strict):
    called: ClassVar[str] = "a tuning"

    made: Annotated[str, Reads(read_date, "a date and time")]
    """when it was made"""
    profile: Name
    """the kind of interface it was made with"""
    offset_volts: Annotated[float, Limits(-5, 5, "V")] = 0.0
    """volts that come out when 0 V are asked for"""
    gain: Annotated[float, Limits(0.5, 2)] = 1.0
    """volts that come out more for each volt asked for"""
    table: Annotated[tuple[tuple[float, float], ...], Reads(_table, "[[note, cents], ...]")] = ()
    """how many cents sharp it still is at these notes"""
    readings: Annotated[
        tuple[tuple[float, float], ...], Reads(_pairs, "[[asked, measured], ...]")
    ] = ()
    """the volts asked for and the volts measured"""


class TuningFile(Strict):
    called: ClassVar[str] = "a tuning file"

    tuning: dict[OutputName, TuningModel] = Field(default_factory=dict)
    """the tuned outputs"""


def tuning_path(rig: Path) -> Path:
    """`rig.tuning.yaml` beside `rig.yaml`."""
    return rig.with_name(f"{rig.stem}.tuning.yaml")


def load_tuning(rig: Path) -> dict[str, Tuning]:
    """The tunings beside a rig, by output; none when there is no file. InputError with every
    problem of the file."""
    path = tuning_path(rig)
    return _parse(Document.read(path)) if path.exists() else {}


def parse_tuning(text: str, file: str = "tuning") -> dict[str, Tuning]:
    """The tunings that a text says, by full name of the output.

    Args:
        text: what a file of tunings holds.
        file: what messages call it.

    Raises:
        InputError: every problem of it, in the order of the file.
    """
    return _parse(Document.parse(text, file))


def _parse(document: Document) -> dict[str, Tuning]:
    model, problems, _ = check(TuningFile, document)
    if problems or model is None:
        raise InputError(in_order(problems))
    return {
        name: Tuning(
            Correction(item.offset_volts, item.gain, item.table, item.made),
            item.profile,
            tuple(Reading(asked, measured) for asked, measured in item.readings),
        )
        for name, item in model.tuning.items()
    }


def corrections(rig: Rig) -> tuple[dict[str, Correction], list[str]]:
    """What the player applies, and warnings: a tuning that belongs to no output of this rig, or
    was made with another kind of interface, is not applied. InputError when the file is wrong."""
    if rig.path is None:
        return {}, []
    found: dict[str, Correction] = {}
    warnings = []
    for name, tuning in sorted(load_tuning(rig.path).items()):
        if name not in rig.wired:
            warnings.append(f"{name} is tuned, but this rig has no such output")
        elif rig.interfaces[name.split(".")[0]].profile.name != tuning.profile:
            warnings.append(
                f"{name} was tuned as {tuning.profile}, which it is no longer; tune it again"
            )
        else:
            found[name] = tuning.correction
    return found, warnings


def save_tuning(rig: Path, output: str, tuning: Tuning, now: datetime) -> Path:
    """Put the tuning of one output into the file beside the rig; all else in it stays as it is
    written, and a dated copy of what was there is kept.

    Args:
        rig: the path of the rig's file.
        output: ``interface.output``.
        tuning: its readings and what was made of them.
        now: the date of the copy.

    Returns:
        The path of the tuning's file.

    Raises:
        InputError: the file that is there is wrong; it stays.
        OSError: it cannot be written.
    """
    path = tuning_path(rig)
    entry = _entry(tuning)
    if not path.exists():
        save(path, edit.append_block(_HEAD, ("tuning", output), entry), now)
        return path
    found, text = load_tuning(rig), _text_of(path)
    if output in found:
        text = edit.apply(text, [edit.Change(("tuning", output), entry)])
    else:
        text = edit.append_block(text, ("tuning", output), entry)
    save(path, text, now)
    return path


def undo_tuning(rig: Path, output: str, now: datetime) -> Tuning | None:
    """Brings back what an output had before its last change; a second undo, the later one.

    Args:
        rig: the path of the rig's file.
        output: ``interface.output``.
        now: the date of the copy that is kept of the file before.

    Returns:
        What it has now; None: it is untuned.

    Raises:
        InputError: there is nothing to undo, or the file or a copy of it is wrong.
        OSError: the file cannot be written.
    """
    found = load_tuning(rig)
    present = found.pop(output, None)
    before: Tuning | None = None
    for copy in backups(tuning_path(rig)):
        before = _parse(Document.read(copy)).get(output)
        if before != present:
            break
    else:
        if present is None:
            raise InputError([Problem("has no tuning to undo", path=output)])
        before = None
    if before is not None:
        save_tuning(rig, output, before, now)
        return before
    path = tuning_path(rig)
    gone = edit.Change(("tuning", output)) if found else edit.Change(("tuning",), {})
    save(path, edit.apply(_text_of(path), [gone]), now)
    return None


def tuned(fit: Fit, readings: Sequence[Reading], profile: str) -> Tuning:
    """A fit as it is kept: volts to a microvolt, cents to a hundredth, finer than any meter.

    Args:
        fit: the correction, and which of the readings it left out.
        readings: those that the fit was made from, in its order; those left out are not kept.
        profile: the name of the profile that the output was driven by.
    """
    kept = tuple(r for i, r in enumerate(readings) if i not in fit.outliers)
    made = fit.correction
    return Tuning(
        Correction(
            round(made.offset_volts, 6),
            round(made.gain, 7),
            tuple((round(note, 4), round(cents, 2)) for note, cents in made.table),
            made.made,
        ),
        profile,
        tuple(Reading(round(r.asked, 6), round(r.measured, 6)) for r in kept),
    )


_HEAD = """\
# Measured by tuning. The player asks for other volts so that the wanted ones come out;
# take an output away here and it plays untuned.
tuning:
"""


def _text_of(path: Path) -> str:
    return decode(read_input(path, MAX_BYTES), str(path))


def _entry(tuning: Tuning) -> dict[str, object]:
    """A tuning as the file has it."""
    correction = tuning.correction
    return {
        "made": correction.made,
        "profile": tuning.profile,
        "offset_volts": correction.offset_volts,
        "gain": correction.gain,
        "table": [[note, cents] for note, cents in correction.table],
        "readings": [[reading.asked, reading.measured] for reading in tuning.readings],
    }


# --- readings ----------------------------------------------------------------------------------


def ladder(out: Output, semitones: int = 6) -> list[int]:
    """The MIDI notes to take readings at: from the lowest to the highest that an output can play,
    the highest included. By Hz/V it begins an octave below the reference at most: lower notes are
    coarse and too slow to measure.

    Args:
        out: the output; its ends and its law say what it can play.
        semitones: how far apart; less than 1 is 1.
    """
    low, high = sorted((out.low, out.high))
    if out.law == "hz/v":
        low = max(low, volts_of_note(out, out.reference_note - 12.0))
    lowest = math.ceil(max(note_of_volts(out, low), 0.0) - 1e-9)
    highest = min(127, math.floor(note_of_volts(out, high) + 1e-9))
    notes = list(range(lowest, highest + 1, max(1, semitones)))
    if notes and notes[-1] != highest:
        notes.append(highest)
    return notes


def parse_reading(out: Output, text: str) -> float:
    """One reading as volts of an output.

    Args:
        out: the output, by whose law a pitch is so many volts.
        text: ``2.003 V``, ``2003 mV``, a plain number (volts, -20 to 20), ``130.9 Hz``, or
            ``C3 +2`` (a note and -100 to 100 cents). A4 is 440 Hz (ISO 16), equal temperament.

    Raises:
        ValueError: it is none of these; in plain words.
    """
    text = text.strip()
    if found := _HERTZ.fullmatch(text):
        hertz = float(found[1]) * (1000.0 if found[2] else 1.0)
        if hertz <= 0.0:
            raise ValueError("a frequency is above 0 Hz")
        # ISO 16: A4, note 69, is 440 Hz; equal temperament.
        return volts_of_note(out, 69.0 + 12.0 * math.log2(hertz / 440.0))
    if found := _VOLTS.fullmatch(text):
        volts = float(found[1]) / (1000.0 if found[2] == "mV" else 1.0)
        if abs(volts) > 20.0:
            raise ValueError(f"{text} is more than any output gives; did you mean mV or Hz?")
        return volts
    if found := _NOTE.fullmatch(text):
        cents = float(found[2] or 0.0)
        if abs(cents) > 100.0:
            raise ValueError("cents beside a note go from -100 to 100")
        return volts_of_note(out, parse_note(found[1]) + cents / 100.0)
    if "," in text:
        raise ValueError(f"{text!r} is not a reading; write decimals with a point, as in 2.003 V")
    raise ValueError(
        f"{text!r} is not a reading; write volts (2.003 V), a frequency (130.9 Hz), "
        "or a note and cents (C3 +2)"
    )


def surprise(out: Output, note: int, text: str, taken: Mapping[int, tuple[str, float]]) -> str:
    """Why a reading looks like a slip, or nothing when it fits.

    Args:
        out: the output.
        note: the note that was asked for.
        text: what was typed; `parse_reading` can read it.
        taken: the other readings, by note: what was typed and its volts.
    """

    def off(at: int, volts: float) -> float:
        return cents_between(out, volts, asked_volts(out, at))

    volts = parse_reading(out, text)
    others = [off(at, read) for at, (_, read) in taken.items() if at != note]
    if not others and is_relative(text):
        return ""  # an oscillator may be set to any octave: the first reading says to which
    asked = asked_volts(out, note)
    expected = statistics.median(others) if others else 0.0
    cents = off(note, volts) - expected
    if not math.isfinite(cents):
        return "by Hz/V there is no pitch at 0 V"
    if abs(cents) <= SURPRISE_CENTS:
        return ""
    if not is_relative(text):
        for factor, unit in ((1000.0, "mV"), (0.001, "V")):
            if asked and abs(volts / factor / asked - 1.0) < 0.1:
                return f"{text} is far from the {asked:.3f} V asked for; did you mean {unit}?"
    octaves = round(cents / 1200.0)
    if octaves and abs(cents - 1200.0 * octaves) < SURPRISE_CENTS:
        plural = "s" if abs(octaves) > 1 else ""
        about = f"{abs(octaves)} octave{plural} {'above' if octaves > 0 else 'below'}"
    else:
        about = f"{abs(cents):.0f} cents {'above' if cents > 0 else 'below'}"
    return f"{text} is {about} what {'the other readings say' if others else 'was asked for'}"


def readings_text(taken: Mapping[int, tuple[str, float]]) -> str:
    """Typed readings as `read_readings` takes them from a file."""
    return "".join(f"{note_name(note)} {text}\n" for note, (text, _) in sorted(taken.items()))


def is_relative(text: str) -> bool:
    """True for readings of an oscillator (Hz, or note and cents), whose octave is its own."""
    return _VOLTS.fullmatch(text.strip()) is None


def same_octave(out: Output, readings: Sequence[Reading]) -> tuple[list[Reading], int]:
    """Readings of an oscillator that is set some whole octaves away, brought to the octave asked
    for; also how many octaves up it was (down: negative).

    Args:
        out: the output, by whose law volts are a pitch.
        readings: in volts; the median of their errors says how far it was away.
    """
    if not readings:
        return [], 0
    away = statistics.median(cents_between(out, r.measured, r.asked) for r in readings)
    if not math.isfinite(away):
        return list(readings), 0
    octaves = round(away / 1200.0)
    moved = [
        Reading(r.asked, volts_of_note(out, note_of_volts(out, r.measured) - 12.0 * octaves))
        for r in readings
    ]
    return (moved, octaves) if octaves else (list(readings), 0)


def read_readings(path: Path, out: Output) -> list[Reading]:
    """Readings from a text file, in its order; those of an oscillator are brought to the octave
    asked for.

    Args:
        path: one reading a line: the note that was asked for, then what was measured
            (``C3 2.003 V``; a comma between them is allowed, ``#`` starts a comment).
        out: the output that was measured.

    Raises:
        InputError: the file cannot be read, holds none, mixes kinds or has more than
            `MOST_READINGS`; or every bad line.
    """
    name = str(path)
    raw = read_input(path, MAX_BYTES)
    problems: list[Problem] = []
    taken: list[tuple[Reading, bool]] = []
    for number, line in enumerate(decode(raw, name).splitlines(), 1):
        body = re.split(r"(?:^|\s)#", line)[0].strip()
        if not body:
            continue
        first, *after = re.split(r"\s*[,;\s]\s*", body, maxsplit=1)
        rest = "".join(after)
        try:
            note = _asked_note(first)
            taken.append(
                (Reading(asked_volts(out, note), parse_reading(out, rest)), is_relative(rest))
            )
        except ValueError as error:
            problems.append(Problem(str(error), "", name, number, 1))
    if len(taken) > MOST_READINGS:
        problems.append(Problem(f"more than {MOST_READINGS} readings", file=name))
    if not taken and not problems:
        problems.append(Problem("holds no reading; write one a line, as in C3 2.003 V", file=name))
    if problems:
        raise InputError(problems)
    if len({relative for _, relative in taken}) > 1:
        message = "mixes volts with frequencies or notes; take all readings the same way"
        raise InputError([Problem(message, file=name)])
    readings = [reading for reading, _ in taken]
    return same_octave(out, readings)[0] if taken and taken[0][1] else readings


def _asked_note(text: str) -> float:
    try:
        note = float(text)
    except ValueError:
        return float(parse_note(text))
    if not 0.0 <= note <= 127.0:
        raise ValueError(f"{text} is not a note: 0 to 127, or a name such as C3")
    return note


def told(out: Output, fit: Fit, readings: Sequence[Reading]) -> list[TuningRow]:
    """One row per reading for a table or a plot: volts asked for and measured, errors in cents.

    Args:
        out: the output that was measured.
        fit: what was made of the readings.
        readings: those that the fit was made from, in its order.
    """
    rows: list[TuningRow] = []
    for i, reading in enumerate(readings):
        note = note_of_volts(out, reading.asked)
        rows.append(
            {
                "note": round(note, 2),
                "name": note_name(note),
                "asked": reading.asked,
                "measured": reading.measured,
                "before": fit.before[i],
                "after": fit.after[i],
                "missed": fit.missed[i],
                "left_out": i in fit.outliers,
            }
        )
    return rows
