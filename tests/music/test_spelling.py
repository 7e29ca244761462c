"""Note names by key, held against a general library's scales and the tables of key signatures."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.files.set import parse_set
from bridge.music.model import SetSpec
from bridge.music.scale import SCALES, SHARPS, note_name, parse_note, parse_root
from bridge.music.spelling import fifths_of, name_of, names_for, names_in_key, spelled

REFERENCE = Path(__file__).parents[1] / "reference"
with (REFERENCE / "scale_spellings.csv").open(encoding="utf-8") as file:
    SPELLINGS = list(csv.DictReader(file))

ROOTS = [letter + sign for letter in "CDEFGAB" for sign in ("", "#", "b")]


def in_order(root: str, scale: str) -> list[str]:
    """The notes of a scale from its root up, as our table of twelve has them."""
    names = names_in_key(root, SCALES[scale])
    return [names[(parse_root(root) + degree) % 12] for degree in SCALES[scale]]


@pytest.mark.parametrize("row", SPELLINGS, ids=lambda row: f"{row['root']} {row['scale']}")
def test_scales_are_spelled_as_a_general_library_spells_them(row: dict[str, str]) -> None:
    """The library's one scale with a triple sharp (A# whole-tone) is left out of the table."""
    assert in_order(row["root"], row["scale"]) == row["notes"].split()


def test_the_reference_is_a_whole_table() -> None:
    assert len(SPELLINGS) > 200
    assert {row["scale"] for row in SPELLINGS} >= {"major", "dorian", "locrian", "harmonic-minor"}


# Sharps are added in the order F C G D A E B, flats in the reverse (common practice, printed on
# every circle of fifths; major keys by their number of sharps, below 0 flats).
SIGNATURES = {"C": 0, "G": 1, "D": 2, "A": 3, "E": 4, "B": 5, "F#": 6, "C#": 7} | {
    "F": -1, "Bb": -2, "Eb": -3, "Ab": -4, "Db": -5, "Gb": -6, "Cb": -7
}  # fmt: skip


@pytest.mark.parametrize(("root", "count"), SIGNATURES.items())
def test_major_keys_have_the_accidentals_of_their_signature(root: str, count: int) -> None:
    signed = {letter + "#" for letter in "FCGDAEB"[: max(count, 0)]}
    signed |= {letter + "b" for letter in "BEADGCF"[: max(-count, 0)]}
    assert {name for name in in_order(root, "major") if len(name) > 1} == signed


@pytest.mark.parametrize(
    ("root", "scale", "notes"),
    [  # handbook examples (from memory; common practice)
        ("C", "blues", "C Eb F Gb G Bb"),
        ("A", "minor-pentatonic", "A C D E G"),
        ("Eb", "major-pentatonic", "Eb F G Bb C"),
        ("C", "altered", "C Db Eb Fb Gb Ab Bb"),
        ("C", "hungarian-minor", "C D Eb F# G Ab B"),
        ("E", "phrygian-dominant", "E F G# A B C D"),
    ],
)
def test_other_scales_are_spelled_as_handbooks_do(root: str, scale: str, notes: str) -> None:
    assert in_order(root, scale) == notes.split()


def test_notes_outside_the_key_follow_the_harmonic_chromatic_scale() -> None:
    """A minor: flat second, raised third, fourth, sixth and seventh (common practice)."""
    names = names_in_key("A", SCALES["minor"])
    assert [names[pc] for pc in (10, 1, 3, 6, 8)] == ["Bb", "C#", "D#", "F#", "G#"]


def test_without_a_key_notes_are_written_with_sharps() -> None:
    assert names_for(SetSpec("Low tide")) == SHARPS
    assert spelled(34, SetSpec("Low tide")) == "A#1"


def test_a_set_spells_its_notes_by_its_key() -> None:
    lanes = "lanes: {line: {notes: [A1]}}\n"
    spec = parse_set("set: Low tide\nkey: {root: Bb, scale: dorian}\n" + lanes).spec
    assert [spelled(n, spec) for n in (34, 37, 37.5)] == ["Bb1", "Db2", "D2-50"]
    small = parse_set("set: Low tide\nkey: {root: bb, scale: dorian}\n" + lanes).spec
    assert small == spec


def test_the_octave_follows_the_letter() -> None:
    """C flat lies below the C of its octave, B sharp above the B (common practice)."""
    assert note_name(59, names_in_key("Gb", SCALES["major"])) == "Cb4"
    assert note_name(60, names_in_key("C#", SCALES["major"])) == "B#3"


@given(st.sampled_from(ROOTS), st.sampled_from(sorted(SCALES)), st.integers(1, 126))
def test_every_spelled_name_reads_back_as_its_note(root: str, scale: str, number: int) -> None:
    names = names_in_key(root, SCALES[scale])
    assert parse_note(note_name(number, names)) == number
    assert parse_note(note_name(number, names).lower()) == number


@given(st.integers(-15, 19))
def test_the_line_of_fifths_goes_both_ways(place: int) -> None:
    assert fifths_of(name_of(place)) == place
