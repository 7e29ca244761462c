"""`lanebridge pack` and `lanebridge open`, as they are typed."""

from __future__ import annotations

import io
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

import bridge.ports
from bridge.cli import main
from bridge.commands import progress
from bridge.files import pack
from bridge.files.rig import load_rig
from bridge.ports.port import PortInfo
from bridge.supervisor import replacing
from bridge.supervisor.loading import Options

DEMO = Path(__file__).parents[2] / "bridge" / "demo"


def run(*words: object) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture
def played(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> list[tuple[Path, Path]]:
    """What was given to the player to play; nothing is."""
    found: list[tuple[Path, Path]] = []

    def note(options: Options) -> None:
        found.append((options.rig, options.set))

    monkeypatch.setattr(replacing, "play", note)
    monkeypatch.chdir(tmp_path)
    return found


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """The demo on ports that no computer has."""
    rig = tmp_path / "mine" / "rig.yaml"
    rig.parent.mkdir()
    text = (DEMO / "rig.yaml").read_text()
    text = text.replace("port: simulated", "port: Some Box  # left of the mixer")
    rig.write_text(text.replace("follow: internal", "follow: Big Host"))
    out = tmp_path / "tide.zip"
    result = run("pack", rig, DEMO / "set.yaml", "--out", out)
    assert result.exit_code == 0, result.output
    assert "sheet.html" in result.output
    return out


def ports(monkeypatch: pytest.MonkeyPatch, *there: tuple[str, Any]) -> None:
    found = [PortInfo(name, way, True, "") for name, way in there]
    monkeypatch.setattr(bridge.ports, "list_ports", lambda: found)


def test_a_pack_plays_where_its_ports_are_missing_and_says_so(
    file: Path, played: list[tuple[Path, Path]], monkeypatch: pytest.MonkeyPatch
) -> None:
    ports(monkeypatch, ("Another Box", "out"))
    result = run("open", file)
    assert result.exit_code == 0, result.output
    assert "no MIDI output has 'Some Box' in its name" in result.output
    assert "here it is simulated" in result.output
    assert "no MIDI input has 'Big Host' in its name; inputs: there are none" in result.output
    assert played == [(Path("low-tide/rig.yaml"), Path("low-tide/set.yaml"))]
    rig = load_rig(played[0][0])
    assert rig.interfaces["main"].port == "simulated"
    assert rig.clock.follow == "internal"
    assert "# left of the mixer" in rig.text
    assert 'port "Some Box" to simulated' in run("history", played[0][0]).output
    assert not Path("low-tide/sheet.html").exists()


def test_ports_that_are_here_are_used(
    file: Path, played: list[tuple[Path, Path]], monkeypatch: pytest.MonkeyPatch
) -> None:
    ports(monkeypatch, ("Some Box MIDI 1", "out"), ("Big Host out", "in"))
    result = run("open", file, "--into", "elsewhere")
    assert "simulated" not in result.output
    rig = load_rig(played[0][0])
    assert (rig.interfaces["main"].port, rig.clock.follow) == ("Some Box", "Big Host")


def test_a_pack_that_was_opened_is_played_again_as_it_was_left(
    file: Path, played: list[tuple[Path, Path]], monkeypatch: pytest.MonkeyPatch
) -> None:
    ports(monkeypatch)
    run("open", file)
    Path("low-tide/takes").mkdir()
    again = run("open", file)
    assert "is there already, from this pack" in again.output
    assert len(played) == 2
    Path("low-tide/set.yaml").write_text("set: Another\n")
    assert run("open", file).exit_code == 1
    assert len(played) == 2


def test_check_writes_nothing(file: Path, played: list[tuple[Path, Path]]) -> None:
    before = sorted(Path().iterdir())
    result = run("open", file, "--check")
    assert result.exit_code == 0
    assert "Low tide, for Quay rack: everything in it is good" in result.output
    assert "14 lanes, 12 outputs" in result.output
    assert (sorted(Path().iterdir()), played) == (before, [])


def test_a_pack_plays_on_a_rig_of_ones_own_once_everything_has_its_place(
    file: Path, played: list[tuple[Path, Path]], tmp_path: Path
) -> None:
    rig = tmp_path / "own.yaml"
    rig.write_text("rig: Loft\ninterfaces: {box: {profile: eight-heights-four-cv}}\n")
    asked = run("open", file, "--rig", rig)
    assert asked.exit_code == 1
    assert "suggested: box.gate-1, which has that name on another interface" in asked.output
    assert played == []
    done = run("open", file, "--rig", rig, "--accept")
    assert done.exit_code == 0, done.output
    assert "kept for other sets of Quay rack" in done.output
    assert played == [(rig, tmp_path / "low-tide.yaml")]
    assert run("check", *played[0]).exit_code == 0
    assert run("open", file, "--rig", rig).exit_code == 0
    (tmp_path / "low-tide.yaml").write_text("set: Mine\n")
    assert "is there already" in run("open", file, "--rig", rig).output
    assert run("open", file, "--accept").exit_code == 2


def test_what_is_no_pack_is_said_with_its_name(tmp_path: Path) -> None:
    path = tmp_path / "holiday.zip"
    path.write_bytes(b"x")
    result = run("open", path)
    assert result.exit_code == 1
    assert result.output == "holiday.zip  is not a zip archive\n"
    assert run("open", tmp_path / "nothing.zip").exit_code == 1


@pytest.mark.parametrize(
    ("title", "name"), [("Low tide", "low-tide"), ("../É", "set"), ("A/b", "a-b")]
)
def test_a_folder_is_named_plainly(title: str, name: str) -> None:
    assert pack.plain_name(title) == name


def test_a_pack_is_written_whole_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(made: pack.Pack) -> bytes:
        raise KeyboardInterrupt

    monkeypatch.setattr(pack, "pack_bytes", interrupted)
    out = tmp_path / "tide.zip"
    result = run("pack", DEMO / "rig.yaml", DEMO / "set.yaml", "--out", out)
    assert result.exit_code != 0
    assert list(tmp_path.iterdir()) == []


def test_an_interrupted_opening_leaves_no_folder(
    file: Path, played: list[tuple[Path, Path]], monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(path: Path, content: bytes) -> None:
        raise KeyboardInterrupt

    before = sorted(Path().iterdir())
    monkeypatch.setattr(pack, "write_atomic", interrupted)
    assert run("open", file).exit_code != 0
    assert sorted(Path().iterdir()) == before


def test_two_takes_of_one_name_are_refused(tmp_path: Path) -> None:
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "night.mid").write_bytes(b"MThd")
    takes = ["--take", tmp_path / "a/night.mid", "--take", tmp_path / "b/night.mid"]
    rig, set_file = DEMO / "rig.yaml", DEMO / "set.yaml"
    result = run("pack", rig, set_file, "--out", tmp_path / "x.zip", *takes)
    assert "two takes have this name" in result.output
    result = run("pack", rig, set_file, "--out", tmp_path / "x.zip", *takes[:2])
    assert "takes/night.mid" in result.output


class Screen(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_progress_is_shown_to_a_person_only(monkeypatch: pytest.MonkeyPatch) -> None:
    for screen, seen in ((Screen(), True), (io.StringIO(), False)):
        monkeypatch.setattr(sys, "stderr", screen)
        with progress.shown("Packing", 4) as done:
            done(2)
        assert ("Packing" in screen.getvalue()) == seen


def test_tunings_that_are_not_there_are_said(tmp_path: Path) -> None:
    words = ("pack", DEMO / "rig.yaml", DEMO / "set.yaml", "--out", tmp_path / "tide.zip")
    assert "no output of Quay rack is tuned" in run(*words, "--tuning").output
    assert "tuned" not in run(*words).output
