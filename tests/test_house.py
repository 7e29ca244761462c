"""The shape of the house: imports point down, the ground floor is pure, the player is lean."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "bridge"
# Highest floor first. A module may import from its own room and from any floor below.
FLOORS: list[set[str]] = [
    {"cli"},
    {"commands"},
    {"demo"},
    {"service"},
    {"web"},
    {"osc"},
    {"desk", "bench"},
    {"session"},
    {"control"},
    {"supervisor"},
    {"paper"},
    {"player"},
    {"files"},
    {"listen"},
    {"ports"},
    {"voltage"},
    {"clock"},
    {"music"},
    {"client"},
    {"protocol"},
    {"errors"},
    {"late"},
]
FLOOR = {room: height for height, rooms in enumerate(reversed(FLOORS)) for room in rooms}
ASYNC_ROOMS = {
    "cli",
    "client",
    "commands",
    "service",
    "web",
    "osc",
    "desk",
    "bench",
    "session",
    "control",
}
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
    "numpy",
    "scipy",
    "matplotlib",
    "segno",
    "zeroconf",
    "pythonosc",
    "annotated_types",
    "typing_extensions",
    "hashlib",
    "_hashlib",
    "ssl",
    "logging",
    "pathlib",
    "urllib",
    "email",
    "random",
    "statistics",
    "bridge.protocol.state",
    "tempfile",
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


def modules_named(path: Path) -> set[str]:
    """The modules of ours that a module imports: when it is loaded, later inside a function, or for
    its types only. Who reads the code must know all of them."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("bridge"):
            found.add(node.module or "")
            found.update(f"{node.module}.{alias.name}" for alias in node.names)
    return found


def page_imports(path: Path) -> set[str]:
    return set(re.findall(r"""^import .*?from "\./([\w-]+)\.js";""", path.read_text(), re.M | re.S))


def circles(graph: dict[str, set[str]]) -> list[list[str]]:
    """Groups of modules that import one another, by the order that cannot be made of them."""
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        return [list(error.args[1])]
    return []


def test_no_module_imports_itself_by_way_of_others() -> None:
    names = {".".join(p.relative_to(PACKAGE.parent).with_suffix("").parts): p for p in modules()}
    graph = {name: modules_named(path) & names.keys() - {name} for name, path in names.items()}
    assert circles(graph) == []


def test_the_modules_of_the_page_have_no_circles_either() -> None:
    paths = {path.stem: path for path in sorted((PACKAGE / "web/page/js").glob("*.js"))}
    assert len(paths) > 20
    graph = {name: page_imports(path) & paths.keys() for name, path in paths.items()}
    assert circles(graph) == []


@pytest.mark.parametrize("name", PURE)
def test_the_ground_floor_is_pure(name: str) -> None:
    for path in sorted((PACKAGE / name).rglob("*.py")):
        bad = {module.split(".")[0] for module in imports(path)} & IMPURE_MODULES
        assert not bad, f"{path} is on a pure floor and imports {sorted(bad)}"


def test_only_the_upper_floors_know_asyncio() -> None:
    for path in modules():
        own = path.relative_to(PACKAGE).with_suffix("").parts[0]
        if own not in ASYNC_ROOMS:
            assert "asyncio" not in imports(path), f"{path} imports asyncio"


def test_the_player_process_is_lean() -> None:
    """Every module that the player loads costs start-up time and memory on a small computer."""
    code = (
        "import sys; before = set(sys.modules); import bridge.player.process, bridge.ports.rtmidi;"
        "print(*sorted(set(sys.modules) - before))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = {name.split(".")[0] for name in out.stdout.split()} | {*out.stdout.split()}
    assert not loaded & LEAN_FORBIDDEN, f"the player loads {sorted(loaded & LEAN_FORBIDDEN)}"


def test_functions_stay_readable() -> None:
    long = {
        f"{path.relative_to(PACKAGE)}: {node.name}": count
        for path in modules()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        if (count := (node.end_lineno or 0) - node.lineno + 1) > 60
    }
    assert not long, f"functions above 60 lines: {long}"


def test_modules_stay_readable() -> None:
    long = {
        str(path.relative_to(PACKAGE)): count
        for path in modules()
        if (count := len(path.read_text(encoding="utf-8").splitlines())) > 500
    }
    assert not long, f"modules above 500 lines: {long}"


UNKNOWN_COMES_IN = {
    "client/requests.py",
    "files/document.py",
    "files/plain.py",
    "files/strict.py",
    "files/take.py",
    "listen/device.py",
    "music/snapshot.py",
    "ports/jack_watch.py",
    "ports/rtmidi.py",
    "web/wrong.py",
}
"""Where text and bytes of others, and libraries without types, become values of ours."""


def test_values_have_types() -> None:
    """At most three `Any` in 1,000 lines; where unknown input comes in (the list in DEVELOPERS.md)
    it is checked, and does not count."""
    lines = {
        path.relative_to(PACKAGE).as_posix(): path.read_text(encoding="utf-8").splitlines()
        for path in modules()
    }
    assert lines.keys() >= UNKNOWN_COMES_IN
    counts = {
        name: sum(
            len(re.findall(r"\bAny\b", line))
            for line in text
            if not re.match(r"\s*(from|import) ", line)
        )
        for name, text in lines.items()
        if name not in UNKNOWN_COMES_IN
    }
    most = 3 * sum(len(lines[name]) for name in counts) / 1000
    worst = sorted(((n, name) for name, n in counts.items() if n), reverse=True)[:10]
    assert sum(counts.values()) <= most, f"most of them in {worst}"


def test_types_are_not_waved_through() -> None:
    found = {
        path.relative_to(PACKAGE).as_posix()
        for path in modules()
        if "type: ignore" in path.read_text(encoding="utf-8")
    }
    assert not found, f"the type checker is told to look away in {found}"


def test_tables_kept_by_hand_are_few() -> None:
    root = PACKAGE.parent
    marks = sum(
        len(re.findall(r"# fmt: (?:off|skip)", path.read_text(encoding="utf-8")))
        for folder in ("bridge", "tests")
        for path in sorted((root / folder).rglob("*.py"))
        if path != Path(__file__)
    )
    assert marks <= 20


def test_a_known_word_is_suggested_by_one_function() -> None:
    users = {
        path.relative_to(PACKAGE).as_posix()
        for path in modules()
        if "get_close_matches" in path.read_text(encoding="utf-8")
    }
    assert users == {"errors.py"}


def test_only_the_session_sends_to_the_player() -> None:
    """Commands go through the door, which passes them to the session; compiled sets through the
    set book. Nobody else has hold of the link."""
    senders: dict[str, set[str]] = {"send": set(), "swap": set(), "link": set()}
    for room_name in ("control", "session", "desk", "bench", "osc", "web", "service"):
        for path in sorted((PACKAGE / room_name).rglob("*.py")):
            name = str(path.relative_to(PACKAGE))
            text = path.read_text(encoding="utf-8")
            for what in ("send", "swap"):
                if re.search(rf"session\.{what}\(", text):
                    senders[what].add(name)
            if re.search(r"link\.(send|swap)\(", text):
                senders["link"].add(name)
    assert senders == {
        "send": {"control/door.py"},
        "swap": {"session/swapping.py"},
        "link": {"control/session.py"},
    }
