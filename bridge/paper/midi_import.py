"""Drums from a standard MIDI file as lanes of a set: one lane per note, one pattern per lane."""

from __future__ import annotations

import io
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import mido

from bridge.errors import InputError, Problem, printable
from bridge.files.read import read_input
from bridge.music.ticks import rate_text
from bridge.paper.midi_chunks import checked

MAX_BYTES = 4 * 1024 * 1024
MAX_STEPS = 64
DRUM_CHANNEL = 9  # channel 10 counted from 1: percussion in General MIDI
LOOSE = Fraction(1, 5)  # of a step: how far a played hit may be off its grid

# Step lengths that are tried, in whole notes, coarsest first; the first that all hits fit wins.
GRIDS = (Fraction(1, 16), Fraction(1, 12), Fraction(1, 24), Fraction(1, 32))

# Percussion by note number: General MIDI level 1 percussion key map, from memory.
NAMES = {
    35: "kick",
    36: "kick",
    37: "rim",
    38: "snare",
    39: "clap",
    40: "snare",
    41: "tom-low",
    42: "hat",
    43: "tom-low",
    44: "hat-pedal",
    45: "tom-mid",
    46: "hat-open",
    47: "tom-mid",
    48: "tom-high",
    49: "crash",
    50: "tom-high",
    51: "ride",
    52: "china",
    53: "ride-bell",
    54: "tambourine",
    55: "splash",
    56: "cowbell",
    57: "crash",
    59: "ride",
    60: "bongo-high",
    61: "bongo-low",
    62: "conga-mute",
    63: "conga-high",
    64: "conga-low",
    69: "cabasa",
    70: "maracas",
    75: "claves",
    76: "block-high",
    77: "block-low",
    80: "triangle-mute",
    81: "triangle",
}


@dataclass(frozen=True, slots=True)
class Bars:
    """A stretch of a file: tempo and meter at its start, and for every note its hits as places
    (in whole notes; a little below 0 for one before the bar line) with velocities 1..127."""

    tempo: float
    meter: tuple[int, int]
    length: Fraction
    hits: dict[int, list[tuple[Fraction, int]]]


def set_text(path: Path, bar: int = 1, bars: int = 1) -> str:
    """
    The text of a set with the drums of some bars.

    Args:
        path: a standard MIDI file of `MAX_BYTES` at most.
        bar: the first bar, counted from 1.
        bars: how many.

    Raises:
        InputError: the file cannot be read, is no standard MIDI file, counts time in seconds, or
            has no note in these bars.
    """
    found = read_bars(_load(path), str(path), bar, bars)
    lines = [
        f"# From {printable(path.name).encode('ascii', 'replace').decode()}, "
        + (f"bar {bar}." if bars == 1 else f"bars {bar} to {bar + bars - 1}."),
        "# Each lane still needs its output: out: interface.output",
        f"set: {_quoted(path.stem)}",
        f"tempo: {round(found.tempo, 3):g}",
    ]
    if found.meter != (4, 4):
        lines.append(f"meter: {found.meter[0]}/{found.meter[1]}")
    lines.append("lanes:")
    names = _names(list(found.hits))
    width = max(len(name) for name in names.values()) + 1
    for note, hits in found.hits.items():
        lines.append(f"  {names[note] + ':':{width}} {lane_text(hits, found.length)}")
    return "\n".join(lines) + "\n"


def groove_text(path: Path, bar: int = 1, bars: int = 1) -> str:
    """
    The line of a set that plays with the timing of some bars: how late each sixteenth of the bar
    is, in percent of one. Where several hits fall on one the middle of them counts; one that nobody
    played is as late as the same place of the other beats.

    Args:
        path: a standard MIDI file of `MAX_BYTES` at most.
        bar: the first bar, counted from 1.
        bars: how many; the same sixteenth of all of them counts together.

    Raises:
        InputError: as `set_text`; bars that do not hold whole sixteenths.
    """
    found = read_bars(_load(path), str(path), bar, bars)
    steps = Fraction(16 * found.meter[0], found.meter[1])
    if steps.denominator != 1:
        raise _wrong(path, f"has bars of {found.meter[0]}/{found.meter[1]}, no whole sixteenths")
    late: dict[int, list[Fraction]] = {}
    for hits in found.hits.values():
        for place, _ in hits:
            step = round(place * 16)
            late.setdefault(step % int(steps), []).append(place * 16 - step)
    beat = max(1, 16 // found.meter[1])
    shares = []
    for step in range(int(steps)):
        alike = [one for at, some in late.items() if at % beat == step % beat for one in some]
        share = float(statistics.median(late.get(step) or alike or [Fraction(0)]))
        shares.append(f"{min(50.0, max(-50.0, round(100 * share, 1))):g}")
    return f"groove: [{', '.join('0' if share == '-0' else share for share in shares)}]\n"


def _load(path: Path) -> mido.MidiFile:
    raw = read_input(path, MAX_BYTES)
    try:
        return mido.MidiFile(file=io.BytesIO(checked(raw)), clip=True)
    except ValueError as error:
        raise _wrong(path, f"is not a standard MIDI file: {error}") from error
    except Exception as error:
        # The library lets whatever its reading runs into escape: IndexError, KeyError...
        said = "is not a standard MIDI file: an event in it cannot be read"
        raise _wrong(path, said) from error


def _wrong(path: Path | str, message: str) -> InputError:
    return InputError([Problem(message, file=str(path))])


def read_bars(file: mido.MidiFile, name: str, bar: int, bars: int) -> Bars:
    """The notes of some bars. Drums are those of channel 10, or of all channels when that one is
    empty.

    Args:
        file: as it was read.
        name: what errors call it.
        bar: the first bar, counted from 1.
        bars: how many.

    Raises:
        InputError: of another format, or nothing is in these bars.
    """
    if file.ticks_per_beat <= 0:
        raise _wrong(name, "counts time in frames and not in beats")
    if file.type == 2:
        raise _wrong(name, "holds separate patterns (format 2); only formats 0 and 1 can be read")
    whole = 4 * file.ticks_per_beat
    meters: list[tuple[int, int, int]] = []
    tempos: list[tuple[int, int]] = []
    notes: list[tuple[int, int, int, int]] = []
    for track in file.tracks:
        now = 0
        for message in track:
            now += message.time
            if message.type == "time_signature":
                meters.append((now, message.numerator, message.denominator))
            elif message.type == "set_tempo":
                tempos.append((now, message.tempo))
            elif message.type == "note_on" and message.velocity > 0:
                notes.append((now, message.channel, message.note, message.velocity))
    start, meter = _bar_start(meters, whole, bar)
    tempo = max((t for t in tempos if t[0] <= start), default=(0, 500_000), key=lambda t: t[0])
    length = Fraction(meter[0] * bars, meter[1])
    if any(channel == DRUM_CHANNEL for _, channel, _, _ in notes):
        notes = [n for n in notes if n[1] == DRUM_CHANNEL]
    hits: dict[int, list[tuple[Fraction, int]]] = {}
    # A hit played a little before the bar line belongs to the bar: half of the finest step.
    early = whole * GRIDS[-1] / 2
    for tick, _, note, velocity in sorted(notes):
        place = Fraction(tick - start, whole)
        if -early <= place * whole < length * whole - early:
            hits.setdefault(note, []).append((place, velocity))
    if not hits:
        which = f"bar {bar}" if bars == 1 else f"bars {bar} to {bar + bars - 1}"
        raise _wrong(name, f"has no note in {which}")
    bpm = min(400.0, max(20.0, 60_000_000 / max(1, tempo[1])))
    return Bars(bpm, meter, length, dict(sorted(hits.items())))


def _bar_start(
    meters: list[tuple[int, int, int]], whole: int, bar: int
) -> tuple[int, tuple[int, int]]:
    """The tick of a bar line (counted from 1) and the meter that begins or goes on there."""
    changes = sorted(meters)
    now, left, place = Fraction(0), bar - 1, 0
    meter = (4, 4)
    while True:
        while place < len(changes) and changes[place][0] <= now:
            _, beats, unit = changes[place]
            place += 1
            meter = (min(32, max(1, beats)), min(32, unit))
        if not left:
            return round(now), meter
        now += Fraction(whole * meter[0], meter[1])
        left -= 1


def lane_text(hits: Sequence[tuple[Fraction, int]], length: Fraction) -> str:
    """One lane as a YAML flow mapping: its pattern on the coarsest grid that fits, its level and
    accent.

    Args:
        hits: one or more places, in whole notes from the bar line, with velocities 1..127.
        length: of the pattern, in whole notes.
    """
    hits = [(max(Fraction(0), place), velocity) for place, velocity in hits]
    step = _grid([place for place, _ in hits], length)
    count = int(length / step)
    loudest: dict[int, int] = {}
    for place, velocity in hits:
        at = min(count - 1, round(place / step))
        loudest[at] = max(velocity, loudest.get(at, 0))
    level, accent, bar = _levels(list(loudest.values()))
    marks = ["." if at not in loudest else "X" if loudest[at] > bar else "x" for at in range(count)]
    beat = max(1, int(Fraction(1, 4) / step))
    text = " ".join("".join(marks[at : at + beat]) for at in range(0, count, beat))
    parts = [f'steps: "{text}"']
    if step != Fraction(1, 16):
        parts.append(f"rate: {rate_text(step * 3840)}")
    parts.append(f"level: {level:g}")
    if accent is not None:
        parts.append(f"accent: {accent:g}")
    return "{" + ", ".join(parts) + "}"


def _grid(places: Sequence[Fraction], length: Fraction) -> Fraction:
    possible = [s for s in GRIDS if (length / s).denominator == 1 and length / s <= MAX_STEPS]
    if not possible:
        return length / MAX_STEPS
    for step in possible:
        off = [abs(place / step - round(place / step)) for place in places]
        crowded = len({round(place / step) for place in places}) < len(set(places))
        if max(off) <= LOOSE and not crowded:
            return step
    return possible[-1]


def _levels(velocities: Sequence[int]) -> tuple[float, float | None, float]:
    """The level of plain hits, the accent of loud ones (None when all are alike), and the velocity
    above which a hit is loud."""
    low, high = min(velocities), max(velocities)
    if high - low < 16:
        return round(sum(velocities) / len(velocities) / 127, 2), None, 127.0
    middle = (low + high) / 2
    soft = [v for v in velocities if v <= middle]
    loud = [v for v in velocities if v > middle]
    level = round(sum(soft) / len(soft) / 127, 2)
    accent = (sum(loud) / len(loud) / 127 - level) / (1 - level)
    return level, round(min(1.0, max(0.0, accent)), 2), middle


def _names(notes: Sequence[int]) -> dict[int, str]:
    names: dict[int, str] = {}
    for note in notes:
        name = NAMES.get(note, f"note-{note}")
        count = 1
        unique = name
        while unique in names.values():
            count += 1
            unique = f"{name}-{count}"
        names[note] = unique
    return names


def _quoted(text: str) -> str:
    plain = "".join(c if c.isprintable() and c not in '"\\' else "-" for c in text).strip()
    return f'"{plain[:100] or "imported"}"'
