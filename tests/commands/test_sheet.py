"""`lanebridge sheet`: where the sheet goes, and where not."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from bridge import cli

DEMO = Path(__file__).parent.parent.parent / "bridge/demo"


def sheet(out: Path) -> Result:
    files = [str(DEMO / "rig.yaml"), str(DEMO / "set.yaml")]
    return CliRunner().invoke(cli.main, ["sheet", *files, "--out", str(out)])


def test_a_missing_folder_is_said_in_one_line(tmp_path: Path) -> None:
    out = tmp_path / "none" / "sheet.html"
    result = sheet(out)
    assert result.exit_code == 1
    assert result.stderr == f"{out}  cannot be written: there is no folder {out.parent}\n"


@pytest.mark.parametrize("name", ["set.yaml", "sheet", "sheet.txt"])
def test_a_sheet_never_takes_the_place_of_another_kind_of_file(tmp_path: Path, name: str) -> None:
    out = tmp_path / name
    out.write_text("set: Low tide\n")
    result = sheet(out)
    assert result.exit_code == 2
    assert "must end in .html" in result.stderr
    assert out.read_text() == "set: Low tide\n"
    assert len(list(tmp_path.iterdir())) == 1
