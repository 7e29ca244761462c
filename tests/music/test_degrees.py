"""Notes as degrees of the key, held against a table of spelled scales and against plain counting."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from support.said import carry_out
from support.sets import BAR, renderer

from bridge.errors import InputError
from bridge.files.set import parse_set
from bridge.files.set_check import plausible
from bridge.music import vary
from bridge.music.model import Degree, Notes
from bridge.music.scale import SCALES, Key, degree_text, parse_degree, parse_root
from bridge.music.score import Score, compile_score

REFERENCE = Path(__file__).parents[1] / "reference" / "scale_spellings.csv"
# Semitones of the white keys above C (the layout of the keyboard: common practice, no source).
WHITE = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}


def spelled_rows() -> list[tuple[str, str, list[str]]]:
    with REFERENCE.open(encoding="utf-8", newline="") as file:
        rows = [(r["root"], r["scale"], r["notes"].split()) for r in csv.DictReader(file)]
    return [row for row in rows if row[1] in SCALES]


def pitch_class(name: str) -> int:
    return (WHITE[name[0]] + name.count("#") - name[1:].count("b")) % 12


@pytest.mark.parametrize(("root", "scale", "notes"), spelled_rows())
def test_degrees_are_the_notes_of_the_spelled_scale(
    root: str, scale: str, notes: list[str]
) -> None:
    """The table names each degree (mingus 0.6.1, see its source column); climbing from the root the
    next degree is the next note of that name above."""
    key = Key(parse_root(root), SCALES[scale])
    at = 12 * (2 + 1) + pitch_class(root)
    found = []
    for count in range(2 * len(notes)):
        wanted = pitch_class(notes[count % len(notes)])
        at = at if count == 0 else at + 1
        while at % 12 != wanted:
            at += 1
        found.append((count + 1, at))
    assert [(step, key.note(Degree(step, 0, 2))) for step, _ in found] == found
    # Moved along the scale: the degree so many further on, also below the first.
    for step, number in found:
        for shift in range(1 - step, 2 * len(notes) - step + 1):
            assert key.note(Degree(step, 0, 2), shift) == dict(found)[step + shift]
        assert key.note(Degree(step, 0, 2), -len(notes)) == number - 12


# Intervals above the tonic by name, in semitones (handbooks of harmony agree; from memory).
INTERVALS = {
    "^1": 0, "^b2": 1, "^2": 2, "^b3": 3, "^3": 4, "^4": 5, "^#4": 6, "^b5": 6, "^5": 7,
    "^b6": 8, "^6": 9, "^bb7": 9, "^b7": 10, "^7": 11, "^8": 12, "^b9": 13, "^#11": 18, "^13": 21,
    "^5-": -5, "^1--": -24, "^3+": 16, "^8-": 0,
}  # fmt: skip


@pytest.mark.parametrize(("text", "semitones"), INTERVALS.items())
def test_alterations_and_octaves_are_the_named_intervals_of_major(
    text: str, semitones: int
) -> None:
    degree = parse_degree(text)
    assert Key(0, SCALES["major"]).note(degree) == 12 + semitones
    assert Key(9, SCALES["major"]).note(degree) == 21 + semitones
    assert degree_text(degree) == text


@pytest.mark.parametrize(
    "text", ["^", "^0", "^37", "5", "^x3", "^bbb3", "^3+-", "^3.", "^#b2", "^-3"]
)
def test_what_is_no_degree_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is not a degree"):
        parse_degree(text)


def score_from(text: str) -> Score:
    spec = parse_set(text).spec
    return compile_score(spec, plausible(spec))


HEAD = """set: t
key: {root: A, scale: minor}
lanes:
  line: {notes: [^1, ^3, A2, {note: ^5-, glide: true}, "-", ^b7], octave: 2, rate: 1/8, out: main.pitch-1}
  other: {notes: [^1, ^2], octave: 4, transpose_by: line, rate: 1/4, out: main.pitch-2}
sections:
  home: {}
  away: {key: {root: D, scale: dorian}}
"""


def moves(score: Score, lane: str, section: str | None = None, bar: int = 0) -> list[float]:
    player = renderer(score)
    if section is not None:
        player.advance(bar * BAR)
        command = {"do": "section", "section": section, "when": "now"}
        carry_out(player.performance, command, bar * BAR)
    events = player.advance((bar + 1) * BAR)
    place = score.positions[lane]
    return [
        e.value for e in events if e.lane == place and e.grid >= bar * BAR and e.grid % 480 == 0
    ]


def test_degrees_stand_among_names_and_a_section_in_another_key_moves_them() -> None:
    score = score_from(HEAD)
    # A2 is 45. C3 is 48; the fifth below is E2, 40; b7 of A minor, a flat below G3 (55), is 54.
    assert moves(score, "line")[:4] == [45, 48, 45, 40]  # the last has glided there
    values = [note.number for note in score.spec.lanes[0].source.notes]  # type: ignore[attr-defined]
    assert values == [45, 48, 45, 40, None, 54]
    away = score.variants[1]
    assert away is not None
    source = away.lanes[0].source
    assert isinstance(source, Notes)
    # D2 is 38, F2 41, the fifth below A1 33, C3 lowered B2 47; the named A2 stays.
    assert [note.number for note in source.notes] == [38, 41, 45, 33, None, 47]
    assert moves(score, "line", "away", 1)[:3] == [38, 41, 45]
    assert moves(score, "line", "home", 1)[:3] != [38, 41, 45]


def test_degree_shift_moves_degrees_along_the_scale_and_names_not() -> None:
    text = HEAD.replace("rate: 1/8, out", "degree_shift: 2, rate: 1/8, out")
    assert moves(score_from(text), "line")[:3] == [48, 52, 45]
    driven = HEAD.replace(
        "sections:",
        "macros:\n  up: {start: 1, drives: [{lane: line, setting: degree_shift, depth: 0.125}]}\nsections:",
    )
    # An eighth of the whole range of 56 is 7 degrees: an octave.
    assert moves(score_from(driven), "line")[:3] == [57, 60, 45]
    within = HEAD.replace("home: {}", "home: {lanes: {line: {degree_shift: -1}}}")
    assert moves(score_from(within), "line", "home", 0)[:3] == [43, 47, 45]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("^3", "^0", "lanes.line.notes.1: '^0' is not a degree"),
        ("^3", "^3----", "lanes.line.notes.1: would stand in octave -2"),
        ("{note: ^5-, glide: true}", "{note: ., glide: true}", "only a note can glide"),
        ("octave: 2", "octave: 10", "lanes.line.octave: must be from -1 to 9"),
        ("other: {notes: [^1, ^2]", "other: {steps: x", "lanes.other.octave: means nothing on"),
    ],
)
def test_what_is_wrong_with_degrees_is_said(old: str, new: str, said: str) -> None:
    with pytest.raises(InputError) as error:
        parse_set(HEAD.replace(old, new))
    assert said in "\n".join(f"{p.path}: {p.message}" for p in error.value.problems)


@pytest.mark.parametrize("seed", range(6))
def test_chance_leaves_degrees_degrees_of_the_key(seed: int) -> None:
    document = parse_set(HEAD)
    lane = document.spec.lanes[0]
    written = document.document.data["lanes"]["line"]
    new = vary.randomised(lane, written, document.spec, 1.0, seed, "pattern")["notes"]
    assert new[4] == "-"
    assert all(isinstance(said, dict) or said[0] in "^-ABCDEFG" for said in new)
    assert new[0].startswith("^")
    assert new[3]["glide"] is True
    again = parse_set(
        HEAD.replace(
            '[^1, ^3, A2, {note: ^5-, glide: true}, "-", ^b7]', str(new).replace("True", "true")
        )
    )
    numbers = [n.number for n in again.spec.lanes[0].source.notes]  # type: ignore[attr-defined]
    scale = {(9 + d) % 12 for d in SCALES["minor"]}
    assert all(n % 12 in scale for n in numbers if n is not None)
    assert all(
        abs(a - b) <= 12
        for a, b in zip(numbers, [45, 48, 45, 40, 45, 54], strict=True)
        if a is not None
    )
