"""The manual page that the wheel brings, so that `man lanebridge` finds it."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import click

from bridge.cli import main
from bridge.commands.man import page

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "man" / "lanebridge.1"


def told(text: str) -> list[str]:
    """Commands and options in their order. How click writes usages and ranges is its own."""
    heads = re.findall(r"^\.SS (lanebridge(?: [a-z\\-]+)*)|(\\-\\-[a-z\\-]+)", text, re.MULTILINE)
    return [command or option for command, option in heads]


def test_the_page_that_ships_is_of_the_commands_that_there_are() -> None:
    """Made anew by ``lanebridge man --out man/lanebridge.1``."""
    shipped = PAGE.read_text(encoding="utf-8")
    made = page(main)
    assert told(shipped) == told(made)
    assert len(told(shipped)) > 200
    context = click.Context(main)
    commands = [main.get_command(context, name) for name in main.list_commands(context)]
    helps = [" ".join((command.help or "").split()) for command in commands if command]
    assert len(helps) > 25
    for text in helps:
        assert text.split(". ")[0].replace("-", "\\-").replace("`", "") in shipped


def test_the_wheel_puts_it_where_man_looks() -> None:
    """man(1) looks in share/man beside each bin folder of the path (manpath(5) of man-db)."""
    build = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["hatch"]["build"]
    shared = build["targets"]["wheel"]["shared-data"]
    assert shared == {"man/lanebridge.1": "share/man/man1/lanebridge.1"}
    assert "man" in build["targets"]["sdist"]["include"]
