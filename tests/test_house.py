"""The shape of the house: imports point down, the ground floor is pure, the player is lean."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "bridge"
# Highest floor first. A module may import from its own room and from any floor below.
FLOORS: list[set[str]] = [
    {"cli"},
    {"commands"},
    {"demo"},
    {"service"},
    {"osc"},
    {"paper"},
    {"engine"},
    {"files"},
    {"ports"},
    {"voltage"},
    {"clock"},
    {"music"},
    {"protocol"},
    {"errors"},
]
FLOOR = {room: height for height, rooms in enumerate(reversed(FLOORS)) for room in rooms}
PURE = ("protocol", "music", "clock", "voltage")
IMPURE_MODULES = {
    "asyncio",
    "time",
    "os",
    "socket",
    "threading",
    "subprocess",
    "random",
    "io",
    "pathlib",
    "select",
    "logging",
    "datetime",
    "secrets",
    "tempfile",
    "shutil",
    "signal",
    "multiprocessing",
}
LEAN_FORBIDDEN = {
    "asyncio",
    "pydantic",
    "yaml",
    "aiohttp",
    "mido",
    "click",
    "rich",
    "numpy",
    "scipy",
    "matplotlib",
    "segno",
    "zeroconf",
    "pythonosc",
}


def modules() -> list[Path]:
    return sorted(p for p in PACKAGE.rglob("*.py"))


def imports(path: Path) -> list[str]:
    found: list[str] = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are written out in full"
            found.append(node.module or "")
            if node.module == "bridge":
                found += [f"bridge.{alias.name}" for alias in node.names]
    return found


def room(module: str) -> str:
    parts = module.split(".")
    return parts[1] if len(parts) > 1 else ""


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_down(path: Path) -> None:
    own = path.relative_to(PACKAGE).with_suffix("").parts[0]
    if own in ("__init__", "__main__"):
        return
    assert own in FLOOR, f"{own} has no floor: add it to FLOORS on purpose"
    for name in imports(path):
        if name.startswith("bridge."):
            other = room(name)
            if other == "__version__":
                continue
            assert other in FLOOR, f"{path} imports {name}, which has no floor"
            assert other == own or FLOOR[other] < FLOOR[own], f"{path} imports up: {name}"


@pytest.mark.parametrize("name", PURE)
def test_the_ground_floor_is_pure(name: str) -> None:
    for path in sorted((PACKAGE / name).rglob("*.py")):
        bad = {module.split(".")[0] for module in imports(path)} & IMPURE_MODULES
        assert not bad, f"{path} is on a pure floor and imports {sorted(bad)}"


def test_only_the_upper_floors_know_asyncio() -> None:
    for path in modules():
        own = path.relative_to(PACKAGE).with_suffix("").parts[0]
        if own not in ("service", "cli", "commands"):
            assert "asyncio" not in imports(path), f"{path} imports asyncio"


def test_the_player_process_is_lean() -> None:
    """Every module that the player loads costs start-up time and memory on a small computer."""
    code = "import sys, bridge.engine.process; print(' '.join(sorted(sys.modules)))"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = {name.split(".")[0] for name in out.stdout.split()}
    assert not loaded & LEAN_FORBIDDEN, f"the player loads {sorted(loaded & LEAN_FORBIDDEN)}"


def test_modules_stay_readable() -> None:
    long = {
        str(path.relative_to(PACKAGE)): count
        for path in modules()
        if (count := len(path.read_text(encoding="utf-8").splitlines())) > 500
    }
    assert not long, f"modules above 500 lines: {long}"
