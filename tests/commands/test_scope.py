"""`lanebridge scope`: a picture of volts."""

from __future__ import annotations

import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from click.testing import CliRunner

from bridge import cli

DEMO = Path(__file__).parent.parent.parent / "bridge/demo"


@pytest.mark.parametrize("name", ["a.svg", "a.png"])
def test_scope_draws_every_output_that_moves(tmp_path: Path, name: str) -> None:
    out = tmp_path / name
    result = CliRunner().invoke(
        cli.main,
        ["scope", str(DEMO / "rig.yaml"), str(DEMO / "set.yaml"), "--bars", "2", "--out", str(out)],
    )
    assert result.exit_code == 0, result.output
    assert "12 outputs" in result.output
    if name.endswith("svg"):
        drawing = out.read_text(encoding="utf-8")
        for jack in ("main.gate-1", "main.pitch-2", "main.level-1"):
            assert jack in drawing


def test_scope_refuses_other_endings(tmp_path: Path) -> None:
    out = tmp_path / "a.pdf"
    result = CliRunner().invoke(
        cli.main, ["scope", str(DEMO / "rig.yaml"), str(DEMO / "set.yaml"), "--out", str(out)]
    )
    assert result.exit_code == 2
    assert "must end in .svg or .png" in result.output
    assert not out.exists()


def test_an_svg_needs_no_plotting_library(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A plain install has none; the page's drawing must come all the same."""
    monkeypatch.setitem(sys.modules, "matplotlib", None)  # importing it fails
    files = [str(DEMO / "rig.yaml"), str(DEMO / "set.yaml")]
    out = tmp_path / "a.svg"
    assert CliRunner().invoke(cli.main, ["scope", *files, "--out", str(out)]).exit_code == 0
    root = ET.parse(out).getroot()
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    result = CliRunner().invoke(cli.main, ["scope", *files, "--out", str(tmp_path / "a.png")])
    assert result.exit_code == 3
    assert "an .svg needs none" in result.output


def test_what_the_clock_drives_is_drawn(tmp_path: Path) -> None:
    """Clock, reset and run of an interface that gets our clock move; of another they do not."""
    for names, jacks in (("[sync]", {"clock-24", "clock-4", "reset", "run"}), ("[]", set())):
        rig = tmp_path / "rig.yaml"
        rig.write_text(
            "rig: Quay rack\ninterfaces:\n  main: {profile: eight-gates-four-cv}\n"
            f"  sync: {{profile: clock-and-reset}}\nclock: {{send_to: {names}}}\n"
        )
        out = tmp_path / "a.svg"
        result = CliRunner().invoke(
            cli.main, ["scope", str(rig), str(DEMO / "set.yaml"), "--out", str(out)]
        )
        assert result.exit_code == 0, result.output
        drawing = out.read_text(encoding="utf-8")
        assert {jack for jack in jacks | {"run"} if f">sync.{jack}<" in drawing} == jacks


def test_a_missing_folder_is_said_in_one_line(tmp_path: Path) -> None:
    out = tmp_path / "none" / "a.svg"
    files = [str(DEMO / "rig.yaml"), str(DEMO / "set.yaml")]
    result = CliRunner().invoke(cli.main, ["scope", *files, "--out", str(out)])
    assert result.exit_code == 1
    assert "cannot be written" in result.output
