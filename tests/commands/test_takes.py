"""`lanebridge takes` as a person uses it, on takes that were recorded on a clock that tests move."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import mido
import pytest
from click.testing import CliRunner, Result
from support.taped import Evening

from bridge.cli import main
from bridge.errors import Exit


@pytest.fixture(scope="module")
def state(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("home")
    evening = Evening(home / "lanebridge")
    evening.do("start")
    evening.run(2500)
    evening.do("mute", lane="kick", muted=True)
    evening.run(1500)
    evening.stop()
    evening.recorder.end(evening.now / 1e9)
    return home


@pytest.fixture
def takes(state: Path, monkeypatch: pytest.MonkeyPatch) -> CliRunner:
    monkeypatch.setenv("XDG_STATE_HOME", str(state))
    return CliRunner()


def run(runner: CliRunner, *words: str) -> Result:
    return runner.invoke(main, ["takes", *words])


def test_alone_it_lists(takes: CliRunner) -> None:
    assert run(takes).output.split() == [
        "1", "2026-03-07", "21:04", "Low", "tide", "0:04", "3", "bars",
    ]  # fmt: skip
    (row,) = json.loads(run(takes, "list", "--json").output)
    assert (row["set"], row["bars"], row["recording"], row["moves"]) == ("Low tide", 3, False, 2)


def test_star_and_name(takes: CliRunner) -> None:
    assert "starred" in run(takes, "star").output
    assert "named First light" in run(takes, "name", "1", "First light").output
    assert "*" in run(takes).output
    assert "First light" in run(takes).output
    assert run(takes, "star", "First light", "--off").exit_code == 0
    assert "*" not in run(takes).output
    assert run(takes, "name", "last", "").exit_code == 0
    assert "First light" not in run(takes).output


def test_export_as_midi_and_as_tables(takes: CliRunner, tmp_path: Path) -> None:
    out = tmp_path / "night.mid"
    done = run(takes, "export", "--out", str(out))
    assert done.exit_code == 0, done.output
    assert "messages of Low tide" in done.output
    assert "kick" in [track.name for track in mido.MidiFile(out).tracks]
    assert run(takes, "export", "last", "--out", "-").output.startswith("tick,lane,kind,value")
    moves = run(takes, "export", "1", "--out", "-", "--moves").output.splitlines()
    assert moves[2].split(",")[3:] == ["page ana", "mute", "lane=kick muted=True when=now"]


@pytest.mark.parametrize(
    ("ending", "begins"),
    [
        (".svg", b"<svg"),
        (".html", b"<!DOCTYPE html>"),
        (".png", b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\x09\xb0"),  # 2480 wide (PNG, section 11.2.1)
    ],
)
def test_a_picture_in_each_kind(
    takes: CliRunner, tmp_path: Path, ending: str, begins: bytes
) -> None:
    out = tmp_path / f"night{ending}"
    done = run(takes, "picture", "--out", str(out), "--row", "8")
    assert done.exit_code == 0, done.output
    assert out.read_bytes().startswith(begins)
    assert "3 bars drawn" in done.output


def test_a_picture_is_called_like_its_take(
    takes: CliRunner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(takes, "picture").exit_code == 0
    assert [path.name for path in tmp_path.iterdir()] == ["2026-03-07T21-04-00.svg"]


def test_a_png_without_its_library_says_what_to_install(
    takes: CliRunner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "cairosvg", None)
    done = run(takes, "picture", "--out", str(tmp_path / "a.png"))
    assert (done.exit_code, "lanebridge[picture]" in done.output) == (Exit.MACHINE, True)
    assert list(tmp_path.iterdir()) == []


def test_what_is_wrong_is_said(takes: CliRunner, tmp_path: Path) -> None:
    assert run(takes, "export", "7", "--out", str(tmp_path / "a.mid")).exit_code == 1
    assert "there is only one take" in run(takes, "star", "7").output
    assert run(takes, "export", "--out", str(tmp_path / "a.wma")).exit_code == 2
    assert run(takes, "export", "--out", str(tmp_path / "a.mid"), "--moves").exit_code == 2
    assert list(tmp_path.iterdir()) == []


def test_replay_says_that_it_is_the_same(takes: CliRunner) -> None:
    done = run(takes, "replay")
    assert done.exit_code == 0, done.output
    assert "messages, all the same" in done.output


def test_remove_asks(takes: CliRunner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    evening = Evening(tmp_path / "lanebridge")
    evening.do("start")
    evening.run(300)
    for early in (["replay"], ["remove", "1", "--yes"]):
        said = CliRunner().invoke(main, ["takes", *early])
        assert (said.exit_code, said.output) == (
            1,
            "this take is still being recorded; stop first\n",
        )
    evening.stop()
    evening.recorder.end(evening.now / 1e9)
    no = CliRunner().invoke(main, ["takes", "remove", "1"], input="n\n")
    assert no.exit_code == Exit.INTERRUPTED
    assert "remove 2026-03-07T21-04-00?" in no.output
    assert "removed" in run(takes, "remove", "1", "--yes").output
    assert "no takes yet" in run(takes).output
