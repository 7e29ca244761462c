"""Long work shows how far it is where a person watches, and nowhere else."""

from __future__ import annotations

import io
import sys

import pytest
from click.testing import CliRunner
from support.taped import DEMO

from bridge.cli import main
from bridge.commands.progress import working

FORM = ("form", str(DEMO / "rig.yaml"), str(DEMO / "ideas" / "drop.yaml"))


class Terminal(io.StringIO):
    """A standard error that says it is a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("watched", [True, False])
def test_a_command_shows_its_work_on_a_terminal_alone(
    watched: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    error = Terminal() if watched else io.StringIO()
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(sys, "stderr", error)
    with working("reading a take") as says:
        says("drawing a picture")
    words = error.getvalue()
    assert ("drawing a picture" in words) == watched
    assert watched or not words


def test_what_is_piped_on_has_nothing_of_it() -> None:
    found = CliRunner().invoke(main, FORM)
    assert found.exit_code == 0, found.output
    assert not found.stderr
    assert "\x1b" not in found.stdout
