"""Chords by degree: an arpeggio held against chords that music libraries spell, and handbook tables."""

from __future__ import annotations

import csv
from itertools import groupby
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.said import carry_out
from support.sets import BAR, in_windows, renderer

from bridge.errors import InputError
from bridge.files.rig import parse_rig
from bridge.files.set import parse_set
from bridge.files.set_check import plausible
from bridge.music.event import Event
from bridge.music.scale import inverted
from bridge.music.score import Score, compile_score

REFERENCE = Path(__file__).parents[1] / "reference" / "chord_degrees.csv"
# Semitones of the white keys above C (the layout of the keyboard: common practice, no source).
WHITE = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}


def number_of(name: str) -> int:
    letter, signs, octave = name[0], name[1:-1], int(name[-1])
    return WHITE[letter] + signs.count("#") - signs.count("b") + 12 * (octave + 1)


def rows() -> list[dict[str, str]]:
    with REFERENCE.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


KEYS = [key for key, _ in groupby((row["root"], row["scale"]) for row in rows())]


def score_from(text: str) -> Score:
    spec = parse_set(text).spec
    return compile_score(spec, plausible(spec))


def played(score: Score, lane: str, bars: int) -> list[tuple[int, float]]:
    """(grid tick, note) of each note of a lane."""
    place = score.positions[lane]
    return [(e.grid, e.value) for e in renderer(score).advance(bars * BAR) if e.lane == place]


def chords(root: str, scale: str, chord: str, inversion: int) -> list[list[int]]:
    """What an arpeggio plays on each of the seven degrees: the notes of each bar, rising."""
    score = score_from(
        f"set: t\nkey: {{root: {root}, scale: {scale}}}\nlanes:\n"
        "  roots: {notes: [^1, ^2, ^3, ^4, ^5, ^6, ^7], octave: 4, rate: 1/1}\n"
        f"  bell: {{arpeggio: roots, chord: {chord.split()}, inversion: {inversion}, rate: 1/4,"
        " reset: 1, out: main.pitch-1}\n".replace("'", "")
    )
    notes = dict(played(score, "bell", 7))
    found = []
    for bar in range(7):
        at, bar_notes = None, []
        for beat in range(len(chord.split())):
            at = notes.get(bar * BAR + beat * 960, at)  # a note that stays is not sent again
            bar_notes.append(at)
        found.append(sorted(int(note) for note in bar_notes if note is not None))
    return found


@pytest.mark.parametrize(("root", "scale"), KEYS)
def test_chords_and_their_inversions_are_those_of_the_key(root: str, scale: str) -> None:
    known = [row for row in rows() if (row["root"], row["scale"]) == (root, scale)]
    assert len(known) == 7 * 7
    by_shape: dict[tuple[str, int], list[list[int]]] = {}
    for row in known:
        shape = row["chord"], int(row["inversion"])
        by_shape.setdefault(shape, []).append([number_of(name) for name in row["notes"].split()])
    for (chord, inversion), notes in by_shape.items():
        assert chords(root, scale, chord, inversion) == notes, (chord, inversion)


# Chords that the degrees of major and minor carry (handbooks of harmony agree; from memory), by
# their intervals in semitones above the root.
KINDS = {
    "M": (4, 7), "m": (3, 7), "dim": (3, 6), "M7": (4, 7, 11), "m7": (3, 7, 10), "7": (4, 7, 10),
    "half-dim7": (3, 6, 10),
}  # fmt: skip
HANDBOOK = {
    ("major", "1 3 5"): "M m m M M m dim",
    ("minor", "1 3 5"): "m dim M m m M M",
    ("major", "1 3 5 7"): "M7 m7 m7 M7 7 m7 half-dim7",
    ("minor", "1 3 5 7"): "m7 half-dim7 M7 m7 m7 M7 7",
}


@pytest.mark.parametrize(("scale", "chord"), HANDBOOK)
def test_the_degrees_carry_the_chords_of_the_handbooks(scale: str, chord: str) -> None:
    kinds = HANDBOOK[scale, chord].split()
    found = [tuple(n - notes[0] for n in notes[1:]) for notes in chords("G", scale, chord, 0)]
    assert found == [KINDS[kind] for kind in kinds]


def test_the_fifth_degree_of_harmonic_minor_is_major() -> None:
    """Its raised seventh makes the dominant major (handbooks of harmony agree; from memory)."""
    root, third, fifth = chords("A", "harmonic-minor", "1 3 5", 0)[4]
    assert (root, third - root, fifth - root) == (number_of("E5"), 4, 7)


HEAD = """set: t
key: {root: C, scale: major}
lanes:
  kick: {steps: "xxxx", rate: 1/4}
  roots: {notes: [^1, ^4], rate: 1/1, octave: 3}
  bell: {arpeggio: roots, advance: kick, out: main.pitch-1}
sections:
  here: {play: all}
  away: {play: all, key: {root: D, scale: dorian}}
  rich: {play: all, lanes: {bell: {chord: [1, 3, 5, 7], inversion: 1}}}
"""


def notes_of(score: Score, bars: int, *moves: tuple[int, dict[str, Any]]) -> list[float]:
    player = renderer(score)
    events: list[Event] = []
    for at, command in moves:
        events += player.advance(at)
        carry_out(player.performance, command, at)
    events += player.advance(bars * BAR)
    place = score.positions["bell"]
    return [e.value for e in events if e.lane == place]


def test_hits_move_it_on_and_the_chord_is_looked_at_on_each_step() -> None:
    # C3 E3 G3, and from the second bar on (the fifth hit, the chord's second note) F3 A3 C4.
    assert notes_of(score_from(HEAD), 2) == [48, 52, 55, 48, 57, 60, 53, 57]


def test_a_section_in_another_key_and_one_with_another_chord() -> None:
    score = score_from(HEAD)
    now = {"do": "section", "when": "now"}
    # D dorian: D3 F3 A3 on the first degree, and on the fourth G3 B3 D4.
    assert notes_of(score, 2, (0, now | {"section": "away"}))[:8] == [
        50,
        53,
        57,
        50,
        59,
        62,
        55,
        59,
    ]
    # Seventh chord of C in its first inversion: C an octave up.
    assert notes_of(score, 1, (0, now | {"section": "rich"}))[:4] == [60, 52, 55, 59]


def test_muting_its_roots_and_its_mover_without_output_moves_nothing() -> None:
    score = score_from(HEAD)
    muted = {"do": "mute", "lane": "roots", "muted": True, "when": "now"}
    assert notes_of(score, 2, (0, muted)) == notes_of(score, 2)


@pytest.mark.parametrize(
    ("more", "notes"),
    [
        ("direction: backward", [55, 52, 48, 55]),
        ("direction: back-and-forth", [48, 52, 55, 52]),
        ("rotate: 1", [52, 55, 48, 52]),
        ("length: 2", [48, 52, 48, 52]),
        ("degree_shift: 1", [50, 53, 57, 50]),
        ("degree_shift: -7", [36, 40, 43, 36]),
        ("inversion: 2", [60, 64, 55, 60]),
        ("inversion: -1", [48, 52, 43, 48]),
        ("inversion: 4", [72, 64, 67, 72]),
        ("transpose: 12", [60, 64, 67, 60]),
        ("octaves: [4, 4]", [60, 64, 67, 60]),
        ("chord: [5, 1, 10]", [55, 48, 64, 55]),
        ("quantise: minor", [48, 51, 55, 48]),
        ("quantise: [0, 7], chord: [1, 2, 3]", [48, 55, 60, 48]),
    ],
)
def test_it_walks_as_any_pattern_and_is_fitted_as_any_note(more: str, notes: list[int]) -> None:
    assert notes_of(score_from(HEAD.replace("advance", f"{more}, advance")), 1) == notes


@pytest.mark.parametrize(
    ("roots", "notes"),
    [
        # A root between two notes of the scale goes to the lower one, halfway; else to the nearest.
        ("notes: [C#3]", [48, 52, 55, 48]),
        ("notes: [60.6]", [60, 64, 67, 60]),
        # Levels go over the octaves: half of C2 to C5 is F#3, between F and G.
        ("levels: [0.5]", [53, 57, 60, 53]),
    ],
)
def test_roots_may_be_anything_and_are_moved_into_the_scale(roots: str, notes: list[int]) -> None:
    text = HEAD.replace("notes: [^1, ^4], rate: 1/1, octave: 3", roots)
    assert notes_of(score_from(text), 1) == notes


def test_what_it_transposes_counts_from_its_first_note() -> None:
    text = HEAD.replace(
        "sections:",
        "  high: {notes: [C5], transpose_by: bell, advance: kick, out: main.pitch-2}\nsections:",
    )
    score = score_from(text)
    high = [value for _, value in played(score, "high", 2)]
    assert high == [72 + note - 48 for note in notes_of(score, 2)]


@settings(max_examples=20)
@given(st.lists(st.integers(1, 4 * BAR - 1), max_size=12))
def test_windows_of_any_size_give_the_same_notes(cuts: list[int]) -> None:
    score = score_from(HEAD.replace("advance", "drift: 0.5, direction: random-walk, advance"))
    assert in_windows(renderer(score), [*sorted(cuts), 4 * BAR]) == renderer(score).advance(4 * BAR)


def test_an_inversion_moves_the_lowest_notes_whatever_order_they_are_written_in() -> None:
    assert [inverted((5, 1, 3), k) for k in range(-1, 4)] == [
        (-1, 0, 0), (0, 0, 0), (0, 1, 0), (0, 1, 1), (1, 1, 1),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("arpeggio: roots", "arpeggio: rots", "there is no lane rots; did you mean roots?"),
        ("arpeggio: roots", "arpeggio: kick", "a lane of values is needed here"),
        ("arpeggio: roots", "arpeggio: roots, chord: [0]", "must be from 1 to 24"),
        ("notes: [^1, ^4]", "arpeggio: bell", "wait for each other"),
        ('steps: "xxxx"', 'steps: "xxxx", inversion: 1', "means nothing on a lane of steps"),
    ],
)
def test_what_is_wrong_with_it_is_said(old: str, new: str, said: str) -> None:
    with pytest.raises(InputError) as error:
        parse_set(HEAD.replace(old, new))
    assert said in "\n".join(f"{p.path}: {p.message}" for p in error.value.problems)


def test_without_a_scale_its_steps_are_semitones_and_that_is_said() -> None:
    rig = parse_rig("rig: R\ninterfaces: {main: {profile: eight-gates-four-cv}}\n")
    warned = parse_set(HEAD.replace("key: {root: C, scale: major}\n", ""), rig=rig).warnings
    assert any("bell.arpeggio" in one.path and "semitones" in one.message for one in warned)
