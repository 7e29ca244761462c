"""How notes are written in a key: C sharp in one, D flat in another.

A name has a place on the line of fifths (... Bb F C G D A E B F# ...): C is 0, a fifth up is 1, a
sharp 7 further on, a flat 7 back. Scales of seven notes use every letter once, as key signatures
do. Other notes are written as in the harmonic chromatic scale of the tonic, whose names lie from 5
fifths below the tonic to 6 above it (minor second, minor third, augmented fourth, minor sixth and
seventh). A set without a key is written with sharps, as tables of MIDI notes are.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from types import MappingProxyType

from bridge.music.model import SetSpec
from bridge.music.scale import SCALES, SHARPS, note_name

_LETTERS = "FCGDAEB"  # by fifths, from one below C
_MAJOR_FIFTHS = (0, 2, 4, -1, 1, 3, 5)
_CHROMATIC_FIFTHS = (0, -5, 2, -3, 4, -1, 6, 1, -4, 3, -2, 5)
# Scales whose usual notation is not that of the harmonic chromatic scale: semitones to fifths.
_USUAL: Mapping[tuple[int, ...], Mapping[int, int]] = MappingProxyType(
    {
        SCALES["blues"]: {6: -6},
        SCALES["octatonic-tone-first"]: {6: -6},
        SCALES["whole-tone"]: {8: 8, 10: 10},
    }
)


def fifths_of(name: str) -> int:
    """The place of a note name without octave, such as ``Bb`` (-2), on the line of fifths."""
    return _LETTERS.index(name[0].upper()) - 1 + 7 * (name.count("#") - name[1:].count("b"))


def name_of(fifths: int) -> str:
    """The note name at a place on the line of fifths: ``Bb`` for -2."""
    sharps, letter = divmod(fifths + 1, 7)
    return _LETTERS[letter] + ("#" * sharps if sharps > 0 else "b" * -sharps)


def _degree_fifths(degrees: Sequence[int]) -> dict[int, int]:
    """Semitones above the tonic to fifths, for the twelve notes around a scale."""
    fifths = dict(enumerate(_CHROMATIC_FIFTHS))
    altered = [degree - major for degree, major in zip(degrees, SCALES["major"], strict=False)]
    if len(degrees) == 7 and altered[0] == 0 and all(-1 <= a <= 1 for a in altered):
        steps = zip(degrees, _MAJOR_FIFTHS, altered, strict=True)
        fifths |= {degree: fifth + 7 * alteration for degree, fifth, alteration in steps}
    return fifths | dict(_USUAL.get(tuple(degrees), {}))


@lru_cache(maxsize=64)
def names_in_key(root: str, degrees: tuple[int, ...]) -> tuple[str, ...]:
    """
    The twelve note names, from the one that sounds as C upwards, as a key writes them.

    Args:
        root: the tonic, such as ``A`` or ``Bb``.
        degrees: the scale in semitones above the root, rising from 0.

    Returns:
        Names without octave. One that would need three accidentals is written with sharps.

    """
    tonic = fifths_of(root)
    names = list(SHARPS)
    for fifths in _degree_fifths(degrees).values():
        place = tonic + fifths
        name = name_of(place)
        if len(name) <= 3:
            names[place * 7 % 12] = name
    return tuple(names)


def names_for(spec: SetSpec) -> tuple[str, ...]:
    """The twelve note names of a set: in its key, or with sharps when it has none."""
    root = spec.key_name.partition(" ")[0]
    return names_in_key(root, tuple(spec.scale)) if root else SHARPS


def spelled(number: float, spec: SetSpec) -> str:
    """A note as the set's key writes it: ``Db2`` in Bb dorian; cents follow, ``Db2+37``.

    Args:
        number: MIDI note number; its fraction becomes cents.
        spec: the set; one without a key writes sharps.
    """
    return note_name(number, names_for(spec))
