"""A small board compiles nothing: every package we depend on comes ready made for it.

pip's own resolver is asked, for the platform tags of a 64-bit ARM board and of a PC (PEP 600), with
source distributions forbidden. What has none is said in the README with what to install instead.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent.parent
WITHOUT = {"3.11": (), "3.13": ("python-rtmidi",)}
"""Packages without a wheel, by Python; the README names the two system packages that build them."""


@pytest.mark.real
@pytest.mark.slow
@pytest.mark.timeout(300)
@pytest.mark.parametrize(
    ("machine", "python"), [("aarch64", "3.11"), ("aarch64", "3.13"), ("x86_64", "3.11")]
)
def test_everything_comes_as_a_wheel(tmp_path: Path, machine: str, python: str) -> None:
    assert "`apt-get install libasound2-dev libjack-jackd2-dev`" in (ROOT / "README.md").read_text()
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    wanted = [d for d in project["dependencies"] if not d.startswith(WITHOUT[python])]
    assert len(wanted) == len(project["dependencies"]) - len(WITHOUT[python])
    tags = [f"manylinux2014_{machine}", f"manylinux_2_28_{machine}"]
    report = tmp_path / "report.json"
    done = subprocess.run(
        [
            *(sys.executable, "-m", "pip", "install", "--dry-run", "--quiet", "--ignore-installed"),
            *("--only-binary=:all:", "--target", str(tmp_path / "target")),
            *(word for tag in tags for word in ("--platform", tag)),
            *("--python-version", python, "--report", str(report), *wanted),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode and "No matching distribution" not in done.stderr:
        pytest.skip(f"no index can be asked: {done.stderr.strip().splitlines()[-1]}")
    assert done.returncode == 0, done.stderr
    files = [row["download_info"]["url"] for row in json.loads(report.read_text())["install"]]
    assert len(files) >= len(wanted)
    assert [file for file in files if not file.endswith(".whl")] == []
