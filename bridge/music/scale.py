"""Note names, scales, and the fitting of a note into a key, a chord and a range of octaves.

Note numbers are MIDI's: 60 is C4 (the middle C of MIDI 1.0), 69 is A4 = 440 Hz (ISO 16). They
may be fractions. Degrees are semitones above the root, 0..11.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from bridge.music.model import Arpeggio, Degree, Lane, Note, Quantise, SetSpec

_MAJOR = (0, 2, 4, 5, 7, 9, 11)
_MINOR = (0, 2, 3, 5, 7, 8, 10)

SCALES: Mapping[str, tuple[int, ...]] = MappingProxyType(
    {
        "major": _MAJOR,
        "ionian": _MAJOR,
        "dorian": (0, 2, 3, 5, 7, 9, 10),
        "phrygian": (0, 1, 3, 5, 7, 8, 10),
        "lydian": (0, 2, 4, 6, 7, 9, 11),
        "mixolydian": (0, 2, 4, 5, 7, 9, 10),
        "minor": _MINOR,
        "aeolian": _MINOR,
        "locrian": (0, 1, 3, 5, 6, 8, 10),
        "harmonic-minor": (0, 2, 3, 5, 7, 8, 11),
        "melodic-minor": (0, 2, 3, 5, 7, 9, 11),
        "melodic-minor-descending": _MINOR,
        "whole-tone": (0, 2, 4, 6, 8, 10),
        "octatonic": (0, 1, 3, 4, 6, 7, 9, 10),
        "octatonic-tone-first": (0, 2, 3, 5, 6, 8, 9, 11),
        "chromatic": tuple(range(12)),
        "major-pentatonic": (0, 2, 4, 7, 9),
        "minor-pentatonic": (0, 3, 5, 7, 10),
        "blues": (0, 3, 5, 6, 7, 10),
        "phrygian-dominant": (0, 1, 4, 5, 7, 8, 10),
        "double-harmonic": (0, 1, 4, 5, 7, 8, 11),
        "hungarian-minor": (0, 2, 3, 6, 7, 8, 11),
        "lydian-dominant": (0, 2, 4, 6, 7, 9, 10),
        "altered": (0, 1, 3, 4, 6, 8, 10),
        "nine-tone": (0, 2, 3, 4, 6, 7, 8, 10, 11),
        "in-sen": (0, 1, 5, 7, 10),
        "augmented": (0, 3, 4, 7, 8, 11),
        "hirajoshi": (0, 2, 3, 7, 8),
    }
)
"""Scale name to degrees, ascending from 0; held against a published table by the tests."""

DEFAULT_OCTAVES = (2, 4)
"""Octaves that a value 0..1 spans on a pitch output when the lane names none."""

TRIAD = (1, 3, 5)
"""The chord of an arpeggio that writes none, in steps of the scale."""

TIE_SEMITONES = 1e-6
"""How far from the middle between two notes still counts as halfway: sums and products of floats
err by far less, and nobody hears a ten-thousandth of a cent."""

SHARPS = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
"""Note names where there is no key; `bridge.music.spelling` has those of a key."""

_LETTERS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_ACCIDENTALS = {"": 0, "#": 1, "##": 2, "b": -1, "bb": -2}
_NOTE = re.compile(r"([A-Ga-g])(#{0,2}|b{0,2})(-?\d{1,2})")
_ROOT = re.compile(r"([A-Ga-g])([#b]?)")


def parse_note(text: str) -> int:
    """The note number of a name such as ``A1`` (33), ``C#4`` (61), ``Bb-1`` (10) or ``F##2`` (43).

    Raises:
        ValueError: not a note name, or outside 0..127 (C-1 to G9).
    """
    match = _NOTE.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"{text!r} is not a note: letter A to G, # or b, and octave, as in C#4")
    letter, accidental, octave = match.groups()
    number = _LETTERS[letter.upper()] + _ACCIDENTALS[accidental] + 12 * (int(octave) + 1)
    if not 0 <= number <= 127:
        raise ValueError(f"{text!r} is outside C-1 to G9")
    return number


def parse_root(text: str) -> int:
    """The pitch class 0..11 of a root such as ``A`` (9) or ``Eb`` (3).

    Raises:
        ValueError: it is no root.
    """
    match = _ROOT.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"{text!r} is not a root: a letter A to G, with # or b where needed")
    return (_LETTERS[match[1].upper()] + _ACCIDENTALS[match[2]]) % 12


def note_name(number: float, names: Sequence[str] = SHARPS) -> str:
    """The name of a note with its octave: ``A1`` for 33; a fraction is said in cents, ``C4+50``.

    Args:
        number: MIDI note number.
        names: what the twelve notes from C are called, without octave. The octave follows the
            letter: in C# major note 60 is ``B#3``.

    """
    nearest = math.floor(number + 0.5)
    cents = round((number - nearest) * 100)
    written = names[nearest % 12]
    octave = (nearest - _ACCIDENTALS[written[1:]]) // 12 - 1
    return f"{written}{octave}" if cents == 0 else f"{written}{octave}{cents:+d}"


def frequency(number: float) -> float:
    """Hz of a note number in equal temperament, A4 = 440 Hz (ISO 16)."""
    return 440.0 * math.exp2((number - 69) / 12)


def quantise_to(wanted: str | Sequence[int], root: int, scale: Sequence[int]) -> Quantise | None:
    """What ``quantise:`` of a set file means: ``key`` (the set's own root and scale), ``off``, the
    name of a scale on the set's root, or a list of degrees 0..11.

    Raises:
        ValueError: no such scale; a list that is empty or has a degree outside 0..11.
    """
    if isinstance(wanted, str):
        if wanted == "off":
            return None
        if wanted == "key":
            return Quantise(root, tuple(scale))
        if wanted not in SCALES:
            raise ValueError(f"no scale is called {wanted!r}")
        return Quantise(root, SCALES[wanted])
    degrees = tuple(sorted(set(wanted)))
    if not degrees or not all(isinstance(d, int) and 0 <= d <= 11 for d in degrees):
        raise ValueError("degrees are whole numbers from 0 to 11, at least one")
    return Quantise(root, degrees)


_DEGREE = re.compile(r"\^(#{0,2}|b{0,2})([1-9][0-9]?)(\+{0,4}|-{0,4})")
MOST_DEGREE = 36


def parse_degree(text: str) -> Degree:
    """A degree such as ``^5``, ``^b7`` or ``^3-``: alteration, step from 1, and ``+`` or ``-`` for
    each octave up or down; `octave` of what comes back counts these.

    Raises:
        ValueError: not a degree, or above 36.
    """
    match = _DEGREE.fullmatch(text.strip())
    if match is None or int(match[2]) > MOST_DEGREE:
        raise ValueError(
            f"{text!r} is not a degree: ^ and 1 to {MOST_DEGREE}, with # or b before the number "
            "and + or - for each octave after it, as in ^5, ^b7 or ^3-"
        )
    accidental, step, octaves = match.groups()
    up = len(octaves) if octaves.startswith("+") else -len(octaves)
    return Degree(int(step), _ACCIDENTALS[accidental], up)


def degree_text(degree: Degree) -> str:
    """A degree as it is written, `octave` counted in signs: what `parse_degree` reads back."""
    altered = ("b" if degree.alteration < 0 else "#") * abs(degree.alteration)
    octaves = ("-" if degree.octave < 0 else "+") * abs(degree.octave)
    return f"^{altered}{degree.step}{octaves}"


@dataclass(frozen=True, slots=True)
class Key:
    """A root (pitch class 0..11) and the scale on it, in semitones rising from the root."""

    root: int
    scale: tuple[int, ...]

    def quantise(self, wanted: str | Sequence[int] | None) -> Quantise | None:
        """What ``quantise:`` means in this key; None where nothing is written."""
        return None if wanted is None else quantise_to(wanted, self.root, self.scale)

    def note(self, degree: Degree, shift: int = 0) -> float:
        """The note number of a degree, moved by `shift` degrees along the scale; its alteration
        moves with it. Beyond the last degree the scale goes on an octave higher: in a scale of
        seven, degree 8 is the octave and 10 the third above it."""
        octaves, place = divmod(degree.step - 1 + shift, len(self.scale))
        above = self.root + self.scale[place] + degree.alteration
        return float(12 * (degree.octave + 1 + octaves) + above)

    def above(self, number: float, steps: int) -> float:
        """The note so many steps of the scale above a note, which is moved into the scale first (to
        the nearest, halfway: down)."""
        root = round(Fitting(self.root, self.scale).nearest(number)) - self.root
        octaves, semitones = divmod(root, 12)
        degree = Degree(self.scale.index(semitones) + 1, 0, octaves - 1)
        return self.note(degree, steps)

    def noted(self, note: Note, octave: int) -> Note:
        """A note as it was read, with its number where it is a degree; `octave` is the lane's."""
        if note.degree is None:
            return note
        degree = replace(note.degree, octave=note.degree.octave + octave)
        return replace(note, number=self.note(degree), degree=degree)


def key_of(spec: SetSpec) -> Key:
    """The key of a set."""
    return Key(spec.root, tuple(spec.scale))


def chord_tones(scale: Sequence[int], chord: Sequence[int]) -> tuple[int, ...]:
    """Degrees (semitones) of the scale steps in `chord`, counted from 1; 9 is the 2nd again."""
    return tuple(sorted({scale[(step - 1) % len(scale)] for step in chord}))


def inverted(chord: Sequence[int], inversion: int) -> tuple[int, ...]:
    """
    By how many octaves each note of a chord moves in an inversion.

    Args:
        chord: scale steps, in any order.
        inversion: how many times its lowest note goes up by an octave; below 0: its highest one
            down. Beyond the number of notes all have moved, and it begins again with the first.

    """
    count = len(chord)
    rank = {place: low for low, place in enumerate(sorted(range(count), key=chord.__getitem__))}
    return tuple((inversion - rank[place] + count - 1) // count for place in range(count))


class Fitting:
    """Moves notes of one lane to the nearest allowed one, then into its octaves.

    `degrees` empty leaves the pitch class alone. Halfway between two allowed notes goes to the
    lower one. Octaves ``(a, b)`` keep notes from the C that begins octave a to the C that ends
    octave b, both included, by whole octaves.
    """

    __slots__ = ("_ladder", "_root", "ceiling", "floor")

    def __init__(
        self, root: int = 0, degrees: Sequence[int] = (), octaves: tuple[int, int] | None = None
    ) -> None:
        self._root = root
        steps = sorted({d % 12 for d in degrees})
        self._ladder = [steps[-1] - 12, *steps, steps[0] + 12] if steps else []
        self.floor = 12 * (octaves[0] + 1) if octaves else None
        self.ceiling = 12 * (octaves[1] + 2) if octaves else None

    @property
    def plain(self) -> bool:
        """True when every note stays as it is."""
        return not self._ladder and self.floor is None

    def nearest(self, note: float) -> float:
        """The nearest allowed note."""
        ladder = self._ladder
        if not ladder:
            return note
        above = note - self._root
        octave = math.floor(above / 12)
        inside = above - 12 * octave
        at = bisect_left(ladder, inside)
        low, high = ladder[at - 1], ladder[at]
        step = low if inside - low <= high - inside + TIE_SEMITONES else high
        return float(self._root + 12 * octave + step)

    def fold(self, note: float) -> float:
        """`note` moved by whole octaves into the range."""
        floor, ceiling = self.floor, self.ceiling
        if floor is None or ceiling is None:
            return note
        if note < floor - TIE_SEMITONES:
            note += 12 * math.ceil((floor - note - TIE_SEMITONES) / 12)
        elif note > ceiling + TIE_SEMITONES:
            note -= 12 * math.ceil((note - ceiling - TIE_SEMITONES) / 12)
        return note

    def __call__(self, note: float) -> float:
        return self.fold(self.nearest(note))


def fitting_of(lane: Lane, spec: SetSpec) -> Fitting:
    """The fitting that a lane asks for: its quantise, narrowed to its chord, and its octaves.

    A chord without quantise is counted in the set's key. That of an arpeggio is what it plays, and
    narrows nothing.
    """
    root: int = spec.root
    degrees: tuple[int, ...] = ()
    if lane.quantise is not None:
        root, degrees = lane.quantise.root, lane.quantise.degrees
    if lane.chord and not isinstance(lane.source, Arpeggio):
        degrees = chord_tones(degrees or spec.scale, lane.chord)
    return Fitting(root, degrees, lane.octaves)


def spread(value: float, octaves: tuple[int, int] | None) -> float:
    """The note for a value on a pitch output, in a straight line (1 V/oct when the output is).

    Args:
        value: 0..1: from the lowest C of the octaves to the C above the highest.
        octaves: the lowest and the highest, where C4 is note 60; None: `DEFAULT_OCTAVES`.

    Returns:
        A MIDI note number with its fraction.
    """
    low, high = octaves or DEFAULT_OCTAVES
    return 12 * (low + 1) + value * 12 * (high + 1 - low)
