"""Tuning in words, for the patch sheet."""

from __future__ import annotations

from pathlib import Path

from bridge.files.rig import load_rig
from bridge.paper.tuned import correction_words, words
from bridge.voltage.calibration import Correction


def test_what_was_found_and_when() -> None:
    said = correction_words(Correction(-0.0042, 1.00218, ((36.0, 1.0),), "2026-01-31T21:05:00"))
    assert said == "tuned 2026-01-31: offset -4.2 mV, gain 1.0022, 1 point"
    assert correction_words(Correction(0.0, 1.0)).endswith("offset +0.0 mV, gain 1.0000")


def test_only_tunings_that_count_are_told(tmp_path: Path) -> None:
    rig = tmp_path / "rig.yaml"
    rig.write_text("rig: R\ninterfaces: {main: {profile: eight-gates-four-cv}}\n", encoding="utf-8")
    assert words(load_rig(rig)) == {}
    row = "{made: 2026-01-31T21:05:00, profile: %s, offset_volts: 0.01}"
    (tmp_path / "rig.tuning.yaml").write_text(
        f"tuning:\n  main.pitch-1: {row % 'eight-gates-four-cv'}\n"
        f"  main.pitch-2: {row % 'four-voices'}\n",
        encoding="utf-8",
    )
    assert list(words(load_rig(rig))) == ["main.pitch-1"]
