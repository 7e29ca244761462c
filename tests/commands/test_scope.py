"""`lanebridge scope`: a picture of volts."""

from __future__ import annotations

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
