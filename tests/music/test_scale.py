"""Scales against the published table, note names and frequencies against ISO 16 figures."""

from __future__ import annotations

import csv
from fractions import Fraction
from pathlib import Path

import pretty_midi
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.music.model import Lane, Notes, Quantise, SetSpec
from bridge.music.scale import (
    DEFAULT_OCTAVES,
    SCALES,
    Fitting,
    chord_tones,
    fitting_of,
    frequency,
    note_name,
    parse_note,
    parse_root,
    quantise_to,
    spread,
)

REFERENCE = Path(__file__).parent.parent / "reference"

# Rows of scales.csv (its `source` column names where each was read) and our word for each.
WORDS = {
    "scale_major": ("major", "ionian"),
    "scale_dorian": ("dorian",),
    "scale_phrygian": ("phrygian",),
    "scale_lydian": ("lydian",),
    "scale_mixolydian": ("mixolydian",),
    "scale_natural_minor": ("minor", "aeolian"),
    "scale_locrian": ("locrian",),
    "scale_harmonic_minor": ("harmonic-minor",),
    "scale_melodic_minor_ascending": ("melodic-minor",),
    "scale_melodic_minor_descending": ("melodic-minor-descending",),
    "scale_whole_tone": ("whole-tone",),
    "scale_octatonic_semitone_tone": ("octatonic",),
    "scale_octatonic_tone_semitone": ("octatonic-tone-first",),
    "scale_chromatic": ("chromatic",),
    "scale_major_pentatonic": ("major-pentatonic",),
    "scale_minor_pentatonic": ("minor-pentatonic",),
    "scale_blues_hexatonic": ("blues",),
    "scale_phrygian_dominant": ("phrygian-dominant",),
    "scale_double_harmonic": ("double-harmonic",),
    "scale_hungarian_minor": ("hungarian-minor",),
    "scale_lydian_dominant": ("lydian-dominant",),
    "scale_altered": ("altered",),
    "scale_messiaen_mode_3": ("nine-tone",),
    "scale_in_sen": ("in-sen",),
    "scale_augmented": ("augmented",),
    "scale_hirajoshi": ("hirajoshi",),
}


def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


SCALE_ROWS = rows("scales.csv")
TUNING_ROWS = rows("tuning.csv")


@pytest.mark.parametrize("row", SCALE_ROWS, ids=lambda row: row["id"])
def test_each_scale_is_the_published_one(row: dict[str, str]) -> None:
    degrees = tuple(int(degree) for degree in row["value"].split())
    for word in WORDS[row["id"]]:
        assert SCALES[word] == degrees
        # The table's own cross checks: size and the mask with the root as lowest bit.
        assert len(SCALES[word]) == int(row["size"])
        assert sum(1 << degree for degree in SCALES[word]) == int(row["bitmask_lsb_root"])


def test_no_scale_of_ours_is_without_a_row() -> None:
    assert {word for words in WORDS.values() for word in words} == set(SCALES)


@pytest.mark.parametrize("row", TUNING_ROWS, ids=lambda row: row["id"])
def test_note_names_and_frequencies(row: dict[str, str]) -> None:
    number = int(row["note"])
    assert parse_note(row["name"]) == number
    assert note_name(number) == row["name"]
    # ISO 16:1975: A4 = 440 Hz; the table rounds to 1e-6.
    assert frequency(number) == pytest.approx(float(row["value"]), abs=5.1e-7)
    if row["published"]:
        assert frequency(number) == pytest.approx(float(row["published"]), rel=1e-5)


@pytest.mark.parametrize(
    ("text", "number"),
    [("A1", 33), ("Bb-1", 10), ("cb4", 59), ("B#3", 60), ("g9", 127), ("C-1", 0), (" E2 ", 40)],
)
def test_names_that_are_read(text: str, number: int) -> None:
    assert parse_note(text) == number


@pytest.mark.parametrize("text", ["", "H2", "A", "C10", "A#9", "Cb-1", "C###4", "4C", "C4.5", "é1"])
def test_names_that_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"note|outside"):
        parse_note(text)


@given(st.integers(0, 127))
def test_every_name_reads_back(number: int) -> None:
    assert parse_note(note_name(number)) == number


def test_a_fraction_is_named_in_cents() -> None:
    assert note_name(60.25) == "C4+25"
    assert note_name(68.9) == "A4-10"


def test_roots() -> None:
    assert [parse_root(name) for name in ("C", "Eb", "a", "B#", "Cb")] == [0, 3, 9, 0, 11]
    with pytest.raises(ValueError, match="root"):
        parse_root("A1")


def test_what_quantise_may_say() -> None:
    assert quantise_to("off", 9, SCALES["minor"]) is None
    assert quantise_to("key", 9, SCALES["minor"]) == Quantise(9, SCALES["minor"])
    assert quantise_to("dorian", 2, SCALES["minor"]) == Quantise(2, SCALES["dorian"])
    assert quantise_to([7, 0, 0], 2, ()) == Quantise(2, (0, 7))
    for wrong in ("doric", [], [12], [-1]):
        with pytest.raises(ValueError, match=r"scale|degrees"):
            quantise_to(wrong, 0, ())


def brute_nearest(note: float, root: int, degrees: tuple[int, ...]) -> float:
    allowed = [n for n in range(-60, 260) if (n - root) % 12 in degrees]
    return float(min(allowed, key=lambda n: (abs(n - note), n)))


@given(
    st.floats(0, 127),
    st.integers(0, 11),
    st.sets(st.integers(0, 11), min_size=1).map(lambda s: tuple(sorted(s))),
)
def test_quantise_takes_the_nearest_and_of_two_the_lower(
    note: float, root: int, degrees: tuple[int, ...]
) -> None:
    note = round(note * 4) / 4  # quarter tones: exact, so that ties are ties
    assert Fitting(root, degrees)(note) == brute_nearest(note, root, degrees)


@given(st.floats(-40, 200), st.integers(-1, 8), st.integers(0, 4))
def test_octaves_keep_the_pitch_class(note: float, low: int, more: int) -> None:
    note = round(note * 8) / 8
    folded = Fitting(octaves=(low, low + more))(note)
    assert 12 * (low + 1) <= folded <= 12 * (low + more + 2)
    assert (folded - note) % 12 == 0
    if 12 * (low + 1) <= note <= 12 * (low + more + 2):
        assert folded == note


def test_chord_tones_are_counted_from_one() -> None:
    assert chord_tones(SCALES["minor"], (1, 3, 5)) == (0, 3, 7)
    assert chord_tones(SCALES["major"], (1, 3, 5, 9)) == (0, 2, 4, 7)


def test_a_chord_narrows_the_key() -> None:
    spec = SetSpec("Low tide", root=9, scale=SCALES["minor"])
    lane = Lane("bass", Notes(()), chord=(1, 3, 5))
    fit = fitting_of(lane, spec)  # A minor triad: A, C, E
    assert [fit(note) for note in (45.0, 46.0, 47.0, 48.0, 50.0, 51.0)] == [45, 45, 48, 48, 48, 52]
    assert fitting_of(Lane("free", Notes(())), spec).plain


def test_a_level_spans_the_octaves() -> None:
    assert spread(0.0, (1, 3)) == parse_note("C1")
    assert spread(1.0, (1, 3)) == parse_note("C4")
    assert spread(0.5, None) == 12 * (DEFAULT_OCTAVES[0] + 1) + 18


def test_note_numbers_against_a_reference_library() -> None:
    """ISO 16 (A4 = 440 Hz) in equal temperament, by pretty_midi's own formula for all numbers."""
    for number in range(128):
        assert frequency(number) == pytest.approx(pretty_midi.note_number_to_hz(number), rel=1e-12)
        assert parse_note(pretty_midi.note_number_to_name(number)) == number


@pytest.mark.parametrize("root", range(12))
@pytest.mark.parametrize("octaves", [(0, 4), (2, 4), (-1, 9)])
@pytest.mark.parametrize("name", ["dorian", "whole-tone"])
def test_halfway_goes_down_whatever_floats_make_of_it(
    root: int, octaves: tuple[int, int], name: str
) -> None:
    """Held against exact fractions: every level in hundredths, on every root."""
    fitting = Fitting(root, SCALES[name], octaves)
    bottom, span = 12 * (octaves[0] + 1), 12 * (octaves[1] + 1 - octaves[0])
    allowed = [n for n in range(-24, 160) if (n - root) % 12 in SCALES[name]]
    for hundredths in range(101):
        exact = Fraction(hundredths, 100) * span + bottom
        nearest = min(allowed, key=lambda n: (abs(n - exact), n))
        expected = nearest
        while expected < bottom:
            expected += 12
        while expected > bottom + span:
            expected -= 12
        assert fitting(spread(hundredths / 100, octaves)) == expected
