"""What DEVELOPERS.md says of the code is there: every module and name that it sends a reader to."""

from __future__ import annotations

import importlib
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
ROOMS = {path.name for path in (ROOT / "bridge").iterdir() if (path / "__init__.py").exists()}
NAMES = sorted(
    {
        name
        for name in re.findall(r"`([a-z_]+(?:\.\w+)+)`", TEXT)
        if name.split(".")[0] in ROOMS and not name.endswith(".py")
    }
)
WALKS = ("The way of a note", "The way of a mute")


@pytest.mark.parametrize("name", NAMES)
def test_a_name_that_is_pointed_at_exists(name: str) -> None:
    parts = name.split(".")
    found: object = importlib.import_module(f"bridge.{parts[0]}.{parts[1]}")
    for part in parts[2:]:
        assert hasattr(found, part), f"{name} is not there any more"
        found = getattr(found, part)


def test_a_path_that_is_pointed_at_exists() -> None:
    said = set(re.findall(r"`((?:tests|bridge|profiles|man|systemd)/[\w./-]+)`", TEXT))
    paths = said - {"bridge/x/y.py", "tests/x/test_y.py"}  # these stand for any
    assert len(paths) > 5
    assert not {path for path in paths if not (ROOT / path).exists()}


@pytest.mark.parametrize("title", WALKS)
def test_each_walk_has_at_most_twelve_stations(title: str) -> None:
    walk = TEXT.split(f"## {title}\n")[1].split("\n## ")[0]
    stations = re.findall(r"^(\d+)\. ", walk, re.M)
    assert stations == [str(n) for n in range(1, len(stations) + 1)]
    assert 5 <= len(stations) <= 12
