"""Pitch and step arithmetic against published tables."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml

from bridge.voltage.profile import (
    Address,
    Output,
    Profile,
    clamp_volts,
    code_step_volts,
    converter_step_volts,
    note_of_volts,
    step_cents,
    step_volts,
    volts_of_note,
)

V_OCT = Output("p", "pitch", Address("cc14", 1, 16), high=8, reference_note=36)
HZ_V = Output(
    "p", "pitch", Address("note-pitch", 1), high=8, law="hz/v", reference_note=33, reference_volts=1
)


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def facts(path: Path) -> dict[str, Any]:
    return {row["id"]: row["value"] for row in yaml.safe_load(path.read_text())["entries"]}


def test_volts_of_notes_by_the_published_frequencies(reference: Path) -> None:
    """ISO 16 (A4 = 440 Hz), f = 440 * 2 ** ((n - 69) / 12); Hz/V with k = 55 Hz per volt."""
    table = rows(reference / "tuning.csv")
    notes = [row for row in table if row["id"].startswith("note_")]
    assert len(notes) > 15
    for row in notes:
        note = float(row["note"])
        assert volts_of_note(V_OCT, note) == pytest.approx(
            float(row["volts_1v_oct_note36_is_0V"]), abs=1e-6
        )
        from_60 = replace(V_OCT, reference_note=60)
        assert volts_of_note(from_60, note) == pytest.approx(
            float(row["volts_1v_oct_note60_is_0V"]), abs=1e-6
        )
        # The table has six decimals and so has the frequency it comes from.
        assert volts_of_note(HZ_V, note) == pytest.approx(float(row["value"]) / 55, rel=2e-7)
        assert note_of_volts(HZ_V, float(row["value"]) / 55) == pytest.approx(note, abs=1e-5)


def test_notes_of_frequencies_by_the_midi_tuning_examples(reference: Path) -> None:
    """MIDI Tuning, frequency data format: semitone, then 14 bits of 100 / 16384 cents. The rows
    that the table marks as misprints are not used."""
    used = 0
    for row in rows(reference / "tuning_mts.csv"):
        if row["agrees_within_0_01_cent"] != "true":
            continue
        semitone, msb, lsb = bytes.fromhex(row["data_hex"])
        note = semitone + (msb * 128 + lsb) / 16384
        assert note_of_volts(HZ_V, float(row["value"]) / 55) == pytest.approx(note, abs=2e-4)
        used += 1
    assert used >= 10


def test_the_hz_per_volt_law(reference: Path) -> None:
    examples = facts(reference / "cv_facts.yaml")["hz_per_volt_example"]
    for (_, volts), note in zip(examples.items(), (33, 45, 57, 69), strict=True):
        assert volts_of_note(HZ_V, note) == pytest.approx(volts)
    ratio = facts(reference / "cv_facts.yaml")["hz_per_volt_semitone_ratio"]
    assert volts_of_note(HZ_V, 46) / volts_of_note(HZ_V, 45) == pytest.approx(ratio)
    assert note_of_volts(HZ_V, 0.0) == -math.inf
    assert note_of_volts(HZ_V, -1.0) == -math.inf


def test_other_scales(reference: Path) -> None:
    scale = facts(reference / "cv_facts.yaml")["alternate_1_2_V_per_octave"]
    out = replace(V_OCT, volts_per_octave=1.2)
    assert 1000 * (volts_of_note(out, 61) - volts_of_note(out, 60)) == pytest.approx(scale)
    assert note_of_volts(out, volts_of_note(out, 61.5)) == pytest.approx(61.5)


def test_steps_by_the_published_table(reference: Path) -> None:
    """Step of 5, 8 and 10 V by 7 to 16 bits, the highest code being full scale."""
    used = 0
    for row in rows(reference / "cv_steps.csv"):
        if row["convention"] != "max code = full scale" or row["unit"] != "mV":
            continue
        out = replace(V_OCT, high=float(row["range_V"]), bits=int(row["bits"]))
        assert 1000 * converter_step_volts(out) == pytest.approx(float(row["value"]), abs=1e-6)
        by = {"7": "cc", "14": "cc14"}.get(row["bits"])
        if by is not None:
            same = replace(out, address=Address(by, 1, 16))  # type: ignore[arg-type]
            assert 1000 * code_step_volts(same) == pytest.approx(float(row["value"]), abs=1e-6)
            # MIDI's grid and the converter's are one: only one of them rounds.
            assert 1000 * step_volts(same) == pytest.approx(float(row["value"]), abs=1e-6)
            assert step_cents(same) == pytest.approx(float(row["cents_at_1V_per_octave"]), abs=1e-5)
        used += 1
    assert used >= 15


@pytest.mark.parametrize("name", ["cc7_step_5V", "cc7_step_10V", "cc14_step_5V", "cc14_step_10V"])
def test_steps_by_the_published_facts(reference: Path, name: str) -> None:
    entry = facts(reference / "cv_facts.yaml")[name]
    by = "cc" if name.startswith("cc7") else "cc14"
    out = replace(V_OCT, address=Address(by, 1, 16), high=10.0 if "10V" in name else 5.0)  # type: ignore[arg-type]
    assert 1000 * step_volts(out) == pytest.approx(entry["mV"], abs=1e-6)
    assert step_cents(out) == pytest.approx(entry["cents"], abs=1e-5)


@pytest.mark.parametrize(
    ("semitones", "name"), [(2, "bend_unit_2_semitones"), (12, "bend_unit_12_semitones")]
)
def test_the_unit_of_bend(reference: Path, semitones: int, name: str) -> None:
    out = replace(V_OCT, address=Address("note-pitch", 1), bend_semitones=semitones)
    assert step_cents(out) == pytest.approx(facts(reference / "cv_facts.yaml")[name], abs=1e-6)


def test_steps_of_other_outputs() -> None:
    whole = replace(V_OCT, address=Address("note-pitch", 1), bend_semitones=0)
    assert step_cents(whole) == pytest.approx(100)
    assert step_volts(Output("g", "gate", Address("note", 1, 36))) == 0.0
    assert step_volts(Output("g", "gate", Address("cc", 1, 36))) == 0.0
    assert step_volts(Output("g", "trigger", Address("note-velocity", 1, 36), high=127)) == 1.0
    # A converter that is coarser than MIDI rounds after MIDI has rounded.
    both = replace(V_OCT, bits=12)
    assert step_volts(both) == pytest.approx(8 / 16383 + 8 / 4095)
    # By Hz/V the steps are equal in volts, so low notes are coarse.
    hz = replace(HZ_V, address=Address("cc14", 1, 16), bits=14)
    assert step_cents(hz, 1.0) == pytest.approx(8 * step_cents(hz, 8.0), rel=0.05)


@pytest.mark.parametrize(
    ("volts", "clamped"), [(-1, 0), (9, 8), (3, 3), (math.inf, 8), (math.nan, 2)]
)
def test_volts_are_clamped_whichever_end_is_higher(volts: float, clamped: float) -> None:
    assert clamp_volts(replace(V_OCT, rest=2), volts) == clamped
    assert clamp_volts(replace(V_OCT, low=8, high=0, rest=2), volts) == clamped


def test_a_profile_finds_its_outputs() -> None:
    profile = Profile("p", "", (V_OCT,))
    assert profile.output("p") is V_OCT
    with pytest.raises(KeyError):
        profile.output("q")
