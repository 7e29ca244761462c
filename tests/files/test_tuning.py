"""Tunings beside the rig: written whole, dated, undoable; readings in the units people have."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import InputError
from bridge.files.profile import load_profile
from bridge.files.rig import load_rig
from bridge.files.store import backups
from bridge.files.tuning import (
    Tuning,
    corrections,
    ladder,
    load_tuning,
    parse_reading,
    read_readings,
    same_octave,
    save_tuning,
    told,
    tuned,
    tuning_path,
    undo_tuning,
)
from bridge.music.scale import frequency
from bridge.voltage.calibration import Correction
from bridge.voltage.least_squares import Reading, fit
from bridge.voltage.profile import Address, Output

PITCH = Output("pitch-1", "pitch", Address("cc14", 1, 16), high=8, reference_note=24)
HZ = Output(
    "p", "pitch", Address("cc14", 1, 16), high=8, law="hz/v", reference_note=33, reference_volts=1
)
RIG = """\
rig: Quay rack
interfaces:
  main: {profile: eight-gates-four-cv, port: simulated}
"""


def at(hour: int) -> datetime:
    return datetime(2026, 1, 31, hour, 0, 0)


def tuning(offset: float, made: str = "2026-01-31T20:00:00") -> Tuning:
    table = ((24.0, 1.5), (36.0, -2.25))
    return Tuning(
        Correction(offset, 1.002, table, made), "eight-gates-four-cv", (Reading(0, 0.01),)
    )


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.yaml"
    path.write_text(RIG)
    return path


# --- the file ----------------------------------------------------------------------------------


def test_a_tuning_is_read_back_as_it_was(rig: Path) -> None:
    assert load_tuning(rig) == {}
    path = save_tuning(rig, "main.pitch-1", tuning(0.01), at(20))
    assert path == tuning_path(rig) == rig.with_name("rig.tuning.yaml")
    save_tuning(rig, "main.pitch-2", tuning(-0.02), at(21))
    assert load_tuning(rig) == {"main.pitch-1": tuning(0.01), "main.pitch-2": tuning(-0.02)}


@given(
    st.floats(-5, 5),
    st.floats(0.5, 2),
    st.lists(
        st.tuples(st.integers(0, 127), st.floats(-1200, 1200)),
        max_size=8,
        unique_by=lambda row: row[0],
    ),
)
def test_numbers_are_kept_to_the_last_digit(
    tmp_path_factory: pytest.TempPathFactory,
    offset: float,
    gain: float,
    table: list[tuple[int, float]],
) -> None:
    rig = tmp_path_factory.mktemp("t") / "rig.yaml"
    rows = tuple((float(note), cents) for note, cents in sorted(table))
    kept = Tuning(Correction(offset, gain, rows, "2026-01-31T00:00:00"), "p")
    save_tuning(rig, "a.b", kept, at(20))
    assert load_tuning(rig)["a.b"] == kept


def test_what_a_person_wrote_into_the_file_stays(rig: Path) -> None:
    save_tuning(rig, "main.pitch-1", tuning(0.01), at(20))
    path = tuning_path(rig)
    path.write_text(
        path.read_text().replace("gain:", "# by the small meter\n    gain:") + "# end\n"
    )
    save_tuning(rig, "main.pitch-2", tuning(0.02), at(21))
    save_tuning(rig, "main.pitch-1", tuning(0.03), at(22))
    undo_tuning(rig, "main.pitch-2", at(23))
    assert load_tuning(rig) == {"main.pitch-1": tuning(0.03)}
    assert "# by the small meter\n    gain:" in path.read_text()
    assert path.read_text().endswith("# end\n")


def test_nothing_is_overwritten_without_a_dated_copy(rig: Path) -> None:
    save_tuning(rig, "main.pitch-1", tuning(0.01), at(20))
    first = tuning_path(rig).read_text()
    save_tuning(rig, "main.pitch-1", tuning(0.02), at(21))
    (copy,) = backups(tuning_path(rig))
    assert copy.name == "rig.tuning.2026-01-31T21-00-00.yaml"
    assert copy.read_text() == first


def test_undo_brings_the_last_one_back_and_undo_again_the_later(rig: Path) -> None:
    save_tuning(rig, "main.pitch-1", tuning(0.01), at(20))
    save_tuning(rig, "main.pitch-1", tuning(0.02), at(21))
    save_tuning(rig, "main.pitch-2", tuning(0.03), at(22))
    assert undo_tuning(rig, "main.pitch-1", at(23)) == tuning(0.01)
    assert load_tuning(rig) == {"main.pitch-1": tuning(0.01), "main.pitch-2": tuning(0.03)}
    assert undo_tuning(rig, "main.pitch-1", at(23)) == tuning(0.02)


def test_undo_of_the_first_tuning_leaves_it_untuned(rig: Path) -> None:
    save_tuning(rig, "main.pitch-1", tuning(0.01), at(20))
    assert undo_tuning(rig, "main.pitch-1", at(21)) is None
    assert load_tuning(rig) == {}
    assert undo_tuning(rig, "main.pitch-1", at(22)) == tuning(0.01)
    with pytest.raises(InputError, match="has no tuning to undo"):
        undo_tuning(rig, "main.pitch-2", at(23))


def test_a_wrong_file_is_explained_and_stays(rig: Path) -> None:
    text = (
        "tuning:\n"
        "  main.pitch-1: {made: soon, profile: p, gain: 3, table: [[36, 1], [24, 2]]}\n"
        "  pitch-2: {made: 2026-01-31, profile: p, offset: 1}\n"
    )
    tuning_path(rig).write_text(text)
    with pytest.raises(InputError) as caught:
        save_tuning(rig, "main.pitch-1", tuning(0), at(20))
    said = [str(problem) for problem in caught.value.problems]
    assert len(said) == 5
    assert ":2:24  tuning.main.pitch-1.made: must be a date, as in 2026-01-31T21:05:00" in said[0]
    assert "gain: must be from 0.5 to 2, not 3" in said[1]
    assert "table: must have its notes in ascending order" in said[2]
    assert "must be an output, as in main.pitch-1" in said[3]
    assert "offset: is not a key of a tuning; did you mean offset_volts?" in said[4]
    assert tuning_path(rig).read_text() == text


def test_the_player_gets_what_belongs_to_this_rig(rig: Path) -> None:
    save_tuning(rig, "main.pitch-1", tuning(0.01), at(20))
    save_tuning(rig, "main.pitch-9", tuning(0.01), at(20))
    other = Tuning(Correction(0.1), "four-voices")
    save_tuning(
        rig, "main.pitch-2", Tuning(Correction(0.1, made="2026-01-31"), other.profile), at(20)
    )
    found, warnings = corrections(load_rig(rig))
    assert found == {"main.pitch-1": tuning(0.01).correction}
    assert warnings == [
        "main.pitch-2 was tuned as four-voices, which it is no longer; tune it again",
        "main.pitch-9 is tuned, but this rig has no such output",
    ]


# --- readings ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "volts"),
    [
        ("2.003 V", 2.003),
        ("2.003", 2.003),
        ("2003 mV", 2.003),
        ("-12mV", -0.012),
        (".5", 0.5),
        ("130.8128 Hz", 2.0),
        ("0.1308128 kHz", 2.0),
        ("C3", 2.0),
        ("C3 +10", 2.0 + 0.1 / 12),
        ("C#3 -2.5 cents", 25 / 12 - 0.025 / 12),
        ("Bb2 0", 22 / 12),
        ("1e-3 V", 0.001),
    ],
)
def test_readings_in_the_units_people_have(text: str, volts: float) -> None:
    assert parse_reading(PITCH, text) == pytest.approx(volts, abs=1e-6)


def test_hz_per_volt_readings() -> None:
    assert parse_reading(HZ, "440 Hz") == pytest.approx(8.0)
    assert parse_reading(HZ, "A2") == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is not a reading"),
        ("loud", "is not a reading"),
        ("2,003", "decimals with a point"),
        ("2003", "did you mean mV or Hz"),
        ("0 Hz", "above 0 Hz"),
        ("-5 Hz", "above 0 Hz"),
        ("C3 +130", "from -100 to 100"),
        ("C12", "outside C-1 to G9"),
        ("nan", "is not a reading"),
        ("inf V", "is not a reading"),
    ],
)
def test_bad_readings_are_explained(text: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        parse_reading(PITCH, text)


@given(st.text(max_size=12))
def test_any_text_is_a_reading_or_a_value_error(text: str) -> None:
    try:
        volts = parse_reading(PITCH, text)
    except ValueError:
        return
    assert -20.0 <= volts < 1100.0


def test_readings_from_a_file(tmp_path: Path) -> None:
    path = tmp_path / "readings.txt"
    path.write_text(
        "# measured after an hour of warming up\n"
        "C1   0.004 V\nC2,  1.006 V\n\nC#2; 1.090 V  # twice\n48   2008 mV\n"
    )
    readings = read_readings(path, PITCH)
    assert [r.measured for r in readings] == [0.004, 1.006, 1.09, 2.008]
    assert [r.asked for r in readings] == pytest.approx([0, 1, 13 / 12, 2], abs=3e-4)


def test_an_oscillator_some_octaves_away_is_brought_back(tmp_path: Path) -> None:
    path = tmp_path / "readings.txt"
    path.write_text("".join(f"{n} {frequency(n + 24.05):.4f} Hz\n" for n in range(24, 85, 6)))
    readings = read_readings(path, PITCH)
    assert [r.measured - r.asked for r in readings] == pytest.approx([0.05 / 12] * 11, abs=5e-4)
    assert same_octave(PITCH, [Reading(1, 3.01), Reading(2, 4.01)])[1] == 2
    assert same_octave(PITCH, []) == ([], 0)


def test_every_bad_line_of_a_file_is_said(tmp_path: Path) -> None:
    path = tmp_path / "readings.txt"
    path.write_text("C1 0.0 V\nH2 1 V\nC3\n200 2 V\n")
    with pytest.raises(InputError) as caught:
        read_readings(path, PITCH)
    assert [(p.line, p.message.split(";")[0]) for p in caught.value.problems] == [
        (2, "'H2' is not a note: letter A to G, # or b, and octave, as in C#4"),
        (3, "'' is not a reading"),
        (4, "200 is not a note: 0 to 127, or a name such as C3"),
    ]
    path.write_text("C1 0.0 V\nC2 C2 +3\n")
    with pytest.raises(InputError, match="mixes volts with frequencies"):
        read_readings(path, PITCH)
    with pytest.raises(InputError, match="cannot be read"):
        read_readings(tmp_path / "none.txt", PITCH)


def test_the_ladder_covers_the_range() -> None:
    assert ladder(PITCH, 24) == [24, 48, 72, 96, 120]
    assert ladder(PITCH, 36) == [24, 60, 96, 120]
    assert ladder(load_profile("hz-per-volt-voice").output("pitch"), 12) == [21, 33, 45, 57, 69]


def test_from_readings_to_the_file_and_back(rig: Path) -> None:
    """The whole way: an interface 12 cents sharp, tuned, saved, and taken by the player."""
    out = load_rig(rig).wired["main.pitch-1"].output
    readings = [Reading(volts, volts + 0.01) for volts in range(9)]
    readings[4] = Reading(4, 4.2)
    result = fit(out, readings, made="2026-01-31T20:00:00")
    rows = told(out, result, readings)
    assert [row["left_out"] for row in rows] == [i == 4 for i in range(9)]
    assert rows[0]["name"] == "C1"
    assert rows[0]["before"] == pytest.approx(12.0)
    save_tuning(rig, "main.pitch-1", tuned(result, readings, "eight-gates-four-cv"), at(20))
    found, warnings = corrections(load_rig(rig))
    assert warnings == []
    assert found["main.pitch-1"].ask(out, 3.0) == pytest.approx(2.99, abs=1e-4)
    assert len(load_tuning(rig)["main.pitch-1"].readings) == 8
