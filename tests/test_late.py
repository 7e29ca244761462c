"""Modules that are loaded when something of them is asked for."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from support.patience import PATIENCE_S

from bridge.late import SELDOM, load_late

ROOT = Path(__file__).parents[1]


def said(folder: Path, code: str) -> str:
    """What this code prints in a process of its own, whose modules are looked for in `folder`."""
    run = subprocess.run(
        [sys.executable, "-c", f"from bridge.late import load_late\n{code}"],
        capture_output=True,
        text=True,
        check=True,
        timeout=PATIENCE_S,
        env={"PYTHONPATH": f"{folder}:{ROOT}"},
    )
    assert run.stderr == ""
    return run.stdout


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Has modules that say when they are loaded."""
    (tmp_path / "plain.py").write_text('print("plain is loaded")\nONE = 1\nTWO = 2\n')
    package = tmp_path / "box"
    package.mkdir()
    (package / "__init__.py").write_text('print("box is loaded")\n__all__ = ["LID"]\nLID = 3\n')
    (package / "inner.py").write_text('print("inner is loaded")\nDEEP = 4\n')
    return tmp_path


@pytest.mark.parametrize(
    ("code", "prints"),
    [
        ("import plain", ""),
        ("import plain\nimport plain as again", ""),
        ("import plain\nprint(hasattr(plain, '__file__'))", "False\n"),
        ("import plain\nprint(plain.ONE, plain.TWO)", "plain is loaded\n1 2\n"),
        ("from plain import TWO\nprint(TWO)", "plain is loaded\n2\n"),
        ("import plain\nimport sys\nplain.ONE\nimport plain as real\n"
         "print(real.__file__.endswith('plain.py'), sys.modules['plain'] is real)",
         "plain is loaded\nTrue True\n"),
        ("import box.inner\nprint(box.inner.DEEP)", "box is loaded\ninner is loaded\n4\n"),
        ("from box import *\nprint(LID)", "box is loaded\n3\n"),
        ("import plain\ntry:\n    plain.THREE\nexcept AttributeError as error:\n    print(error)",
         "plain is loaded\nmodule 'plain' has no attribute 'THREE'\n"),
        ("import absent\ntry:\n    absent.ONE\nexcept ModuleNotFoundError as error:\n"
         "    print(error)", "No module named 'absent'\n"),
    ],
)  # fmt: skip
def test_it_is_loaded_when_something_is_asked_for(folder: Path, code: str, prints: str) -> None:
    """As the statement ``import`` is described in the Python language reference, section 7.11."""
    assert said(folder, f"load_late('plain', 'box', 'absent')\n{code}") == prints


def test_what_is_loaded_stays(folder: Path) -> None:
    assert said(folder, "import plain\nload_late('plain')\nprint(plain.ONE)").endswith("\n1\n")
    before = {name: sys.modules.get(name) for name in SELDOM}
    load_late(*(name for name, module in before.items() if module is not None))
    assert {name: sys.modules.get(name) for name in SELDOM} == before


def test_what_python_does_with_them_is_the_same() -> None:
    """A class without a docstring has its signature as one (documentation of `dataclasses`)."""
    code = (
        "import sys; from bridge.late import SELDOM, load_late; load_late(*SELDOM)\n"
        "import dataclasses, subprocess, tempfile, traceback\n"
        "made = [name for name in SELDOM if not hasattr(sys.modules[name], '__file__')]\n"
        "assert {'inspect', 'locale', 'shutil'} <= set(made), made\n"
        "@dataclasses.dataclass\nclass Place:\n    bar: int\n    beat: int = 1\n"
        "print(Place.__doc__)\n"
        "import os\n"
        "with tempfile.TemporaryDirectory() as folder:\n    open(folder + '/file', 'w').close()\n"
        "print(os.path.exists(folder))\n"
        "import shutil; print(shutil.make_archive.__module__)\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert run.stdout.splitlines() == ["Place(bar: int, beat: int = 1)", "False", "shutil"]


@pytest.mark.parametrize("loads", ["supervisor.supervise, bridge.ports.rtmidi", "player.process"])
def test_what_stays_all_night_asks_for_none_of_them(loads: str) -> None:
    """A dataclass of ours that has no docstring would. From Python 3.12 on `dataclasses` itself
    does, for each class."""
    asked = {"tokenize"} if sys.version_info < (3, 12) else {"tokenize", "inspect"}
    code = (
        "import sys; from bridge.late import LateModule, SELDOM, load_late; load_late(*SELDOM)\n"
        f"import bridge.{loads}\n"
        "print(*(n for n in SELDOM if not isinstance(sys.modules.get(n), LateModule)))"
    )
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert set(run.stdout.split()) <= asked
