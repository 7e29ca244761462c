"""The chapters of the manual: every command in them is run, every file read, every label on the page."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from bridge.cli import main
from bridge.files import reference
from bridge.files.blocks import Head, Points, Signs
from bridge.files.rig import load_rig
from bridge.files.set import parse_set

PAGE = Path(reference.__file__).parents[1] / "web/page"
# Those that play, listen or ask are only read as far as their options.
LIVE = ("play", "soundcheck", "align", "tune", "clockcheck", "ports")


def chapters() -> list[object]:
    """What stands before the reference of the files."""
    found: list[object] = []
    for block in reference.text():
        if isinstance(block, Head) and block.text == "The files":
            return found
        found.append(block)
    raise AssertionError("the reference is gone")


def lines() -> list[str]:
    return [line for block in chapters() if isinstance(block, Signs) for line in block.lines]


def test_every_command_is_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In the order of the chapters, in an empty folder, as a newcomer would."""
    monkeypatch.chdir(tmp_path)
    commands = [shlex.split(line)[1:] for line in lines() if line.startswith("lanebridge ")]
    assert len(commands) >= 12
    for words in commands:
        if words[0] in LIVE:
            command = main.get_command(click.Context(main), words[0])
            assert command is not None
            command.make_context(words[0], words[1:], parent=click.Context(main))
            continue
        done = CliRunner().invoke(main, words)
        assert done.exit_code == 0, (words, done.output)
    assert {path.name for path in tmp_path.iterdir()} == {
        "low-water.zip",
        "rig.yaml",
        "set.yaml",
        "patch.html",
        "first.mid",
        "first.wav",
    }


def test_the_first_set_plays_on_the_first_rig(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert CliRunner().invoke(main, ["init"]).exit_code == 0
    texts = [
        "\n".join(block.lines)
        for block in chapters()
        if isinstance(block, Signs) and block.lines[0].startswith("set:")
    ]
    assert len(texts) == 1
    document = parse_set(texts[0], "set.yaml", load_rig(tmp_path / "rig.yaml"))
    said = [problem.message for problem in document.warnings]
    assert said == ["main.pitch-1 (line) is played, but no cable is written down"]
    assert [lane.name for lane in document.spec.lanes] == ["kick", "rim", "spray", "line"]


def test_every_label_is_on_the_page() -> None:
    source = "\n".join(path.read_text(encoding="utf-8") for path in PAGE.rglob("*.js"))
    points = [text for block in chapters() if isinstance(block, Points) for text in block.texts]
    labels = {label for text in points for label in re.findall(r"`([^`]+)`", text)}
    context = click.Context(main)
    commands = [main.get_command(context, name) for name in main.list_commands(context)]
    options = {opt for one in commands if one for param in one.params for opt in param.opts}
    named = {label for label in labels if label.startswith("--")}
    assert {label.split()[0] for label in named} <= options
    labels -= named | {"lanebridge check", "pip install 'lanebridge[listen]'"}
    assert len(labels) > 15
    missing = sorted(label for label in labels if f'"{label}"' not in source)
    assert missing == []
