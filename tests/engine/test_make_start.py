"""What the player is started with, from the files."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from bridge.files.rig import load_rig
from bridge.files.tuning import Tuning, save_tuning
from bridge.supervisor.begin import make_start
from bridge.voltage.calibration import Correction

RIG = "rig: Quay rack\ninterfaces:\n  main: {profile: eight-gates-four-cv}\n"
SET = "set: Low tide\nlanes:\n  line: {notes: [C2], out: main.pitch-1}\n"


def test_tunings_beside_the_rig_reach_the_player(tmp_path: Path) -> None:
    rig, played = tmp_path / "rig.yaml", tmp_path / "set.yaml"
    rig.write_text(RIG)
    played.write_text(SET)
    good = Correction(0.01, 1.002, ((24.0, 1.5),), "2026-01-31T20:00:00")
    save_tuning(rig, "main.pitch-1", Tuning(good, "eight-gates-four-cv"), datetime(2026, 1, 31))
    save_tuning(rig, "main.pitch-2", Tuning(good, "four-voices"), datetime(2026, 1, 31))
    start = make_start(load_rig(rig), played, "socket", play=False)
    assert dict(start.corrections) == {"main.pitch-1": good}
    (doubt,) = start.warnings  # said on the page and in the log
    assert "main.pitch-2 was tuned as four-voices" in doubt
