"""Ctrl-C in the middle of long work: its exit code, no half of a file, nothing left behind.

Each command runs once to the end, while calls of the program's own functions are counted; then it
is interrupted at some of these calls, from the first to the last.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Any

import pytest
from click.testing import CliRunner
from support.taped import DEMO, Evening

import bridge
from bridge.cli import main
from bridge.errors import Exit

PACKAGE = str(Path(bridge.__file__).parent)
PLACES = (0.02, 0.3, 0.7, 0.93, 0.985, 0.998)
RENDER = "render FOLDER/rig.yaml FOLDER/set.yaml --bars 2 --out FOLDER/"
LINES = (
    RENDER + "new.mid",
    RENDER + "new.csv",
    RENDER + "new.wav",
    "takes export --out FOLDER/new.mid",
    "takes export --out FOLDER/new.csv",
    "takes export --out FOLDER/new.wav",
    "takes picture --out FOLDER/new.svg",
    "form FOLDER/rig.yaml FOLDER/set.yaml --bars 2 --out FOLDER/new.svg",
    "scope FOLDER/rig.yaml FOLDER/set.yaml --bars 1 --out FOLDER/new.svg",
    "sheet FOLDER/rig.yaml FOLDER/set.yaml --out FOLDER/new.html",
    "pack FOLDER/rig.yaml FOLDER/set.yaml --out FOLDER/new.zip",
    "open FOLDER/whole.zip --check",
    "takes replay",
    "import FOLDER/drums.mid --out FOLDER/new.yaml",
)
SET = """
set: Two tides
lanes:
  kick: {steps: "x...x...x...x...", out: main.gate-1}
  bass: {steps: "x.......x.......", out: main.gate-5}
  line: {notes: [A3, E4], advance: bass, out: main.pitch-1}
sections:
  low: {play: [kick]}
"""


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("work")
    shutil.copy(DEMO / "rig.yaml", folder)
    (folder / "set.yaml").write_text(SET, encoding="utf-8")
    evening = Evening(folder / "lanebridge")
    evening.do("start")
    evening.run(1500)
    evening.stop()
    evening.recorder.end(evening.now / 1e9)
    packed = CliRunner().invoke(
        main, words("pack FOLDER/rig.yaml FOLDER/set.yaml --out FOLDER/whole.zip", folder)
    )
    assert packed.exit_code == 0, packed.output
    drums = words("render FOLDER/rig.yaml FOLDER/set.yaml --bars 2 --out FOLDER/drums.mid", folder)
    assert CliRunner().invoke(main, drums).exit_code == 0
    return folder


@pytest.fixture
def folder(prepared: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of it, with a place of its own for what is temporary."""
    folder = tmp_path / "work"
    shutil.copytree(prepared, folder)
    (tmp_path / "temporary").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "temporary"))
    monkeypatch.setenv("XDG_STATE_HOME", str(folder))
    return folder


def words(line: str, folder: Path) -> list[str]:
    return line.replace("FOLDER", str(folder)).split()


class Calls:
    """Counts calls of the program's functions, and interrupts at one of them."""

    def __init__(self, at: int | None = None) -> None:
        self.count, self.at = 0, at

    def __call__(self, frame: FrameType, event: str, argument: Any) -> None:
        if event == "call" and frame.f_code.co_filename.startswith(PACKAGE):
            self.count += 1
            if self.count == self.at:
                raise KeyboardInterrupt


@contextmanager
def watched(calls: Calls) -> Iterator[None]:
    before = sys.getprofile()
    sys.setprofile(calls)
    try:
        yield
    finally:
        sys.setprofile(before)


def there(folder: Path) -> dict[str, bytes]:
    root = folder.parent
    return {str(p.relative_to(root)): p.read_bytes() for p in root.rglob("*") if p.is_file()}


@pytest.mark.parametrize("line", LINES)
def test_an_interrupted_command_leaves_all_or_nothing(line: str, folder: Path) -> None:
    before = there(folder)
    runner, given = CliRunner(), words(line, folder)
    assert runner.invoke(main, given).exit_code == 0  # modules are loaded, what is kept is kept
    for name in set(there(folder)) - set(before):
        (folder.parent / name).unlink()
    counting = Calls()
    with watched(counting):
        whole = runner.invoke(main, given)
    assert whole.exit_code == 0, whole.output
    made = {name for name in there(folder) if name not in before}
    assert (len(made) == 1) == ("--out" in line)
    seen = 0
    for share in PLACES:
        for name in made:
            (folder.parent / name).unlink(missing_ok=True)
        stopping = Calls(max(1, round(counting.count * share)))
        with watched(stopping):
            done = runner.invoke(main, given)
        if stopping.count < (stopping.at or 0):
            continue  # a cache that is filled by now made it shorter
        seen += 1
        assert done.exit_code == Exit.INTERRUPTED, (share, done.output)
        left = there(folder)
        new = set(left) - set(before)
        assert new <= made, (share, new - made)
        assert {name: left[name] for name in before} == before
        assert list((folder.parent / "temporary").iterdir()) == []
        if share < 0.9:
            assert not new, share
    assert seen >= 3
