"""What DEVELOPERS.md says of the code is there: every module and name that it sends a reader to.
And what one room takes from another says what it takes."""

from __future__ import annotations

import ast
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


def door_functions() -> dict[str, ast.FunctionDef | ast.AsyncFunctionDef]:
    """The functions that another room than their own imports, by module and name."""
    trees = {
        ".".join(path.relative_to(ROOT).with_suffix("").parts): ast.parse(path.read_text("utf-8"))
        for path in sorted((ROOT / "bridge").rglob("*.py"))
    }
    found = {
        f"{module}.{node.name}": node
        for module, tree in trees.items()
        for node in tree.body
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    }
    taken = set()
    for module, tree in trees.items():
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("bridge."):
                for alias in node.names:
                    name = f"{node.module}.{alias.name}"
                    if name.split(".")[1] == module.split(".")[1]:
                        continue
                    whole = {one for one in found if one.rpartition(".")[0] == name}
                    taken |= {one for one in whole if not one.split(".")[-1].startswith("_")}
                    taken |= {name} & found.keys()
    return {name: found[name] for name in sorted(taken)}


def test_what_stands_at_the_door_of_a_room_says_what_it_takes() -> None:
    """A function that makes an error is told by its message; one with two parameters or more says
    what each of them is."""
    doors = door_functions()
    assert len(doors) > 300
    silent, unsaid = [], []
    for name, node in doors.items():
        if ast.unparse(node.returns or ast.Constant("")).endswith("Error"):
            continue
        doc = ast.get_docstring(node) or ""
        if not doc:
            silent.append(name)
        arguments = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
        if len(arguments) > 1 and "Args:" not in doc:
            unsaid.append(name)
    assert (silent, unsaid) == ([], [])
