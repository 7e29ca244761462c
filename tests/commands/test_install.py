"""Starting at boot: what would be done is shown, and done only when it is asked for."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from bridge.cli import main
from bridge.commands import install
from bridge.files.tuning import tuning_path

DEMO = Path(__file__).parents[2] / "bridge" / "demo"
UNIT = "etc/systemd/system/lanebridge.service"
SETS = "var/lib/lanebridge/sets"


@pytest.fixture(autouse=True)
def in_opt(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", "/opt/lanebridge/bin/python")


def run(*words: str) -> Result:
    return CliRunner().invoke(main, list(words))


def install_service(root: Path, *more: str) -> Result:
    return run("install-service", str(DEMO / "rig.yaml"), str(DEMO / "set.yaml"), *more)


def test_every_file_and_command_is_shown_and_nothing_is_done(tmp_path: Path) -> None:
    done = install_service(tmp_path)
    assert done.exit_code == 0, done.output
    for line in install.shipped_unit().splitlines():
        assert line in done.output
    for words in ("useradd", "chown", "daemon-reload", "enable --now"):
        assert "would run" in done.output
        assert words in done.output
    assert f"would write /{SETS}/rig.yaml" in done.output
    assert "nothing is written" in done.output
    assert not Path(f"/{UNIT}").exists()
    done = install_service(tmp_path, "--root", str(tmp_path))
    assert "would run" not in done.output
    assert list(tmp_path.iterdir()) == []


def test_an_image_gets_the_files_and_loses_the_unit_again(tmp_path: Path) -> None:
    root = ("--root", str(tmp_path))
    done = install_service(tmp_path, "--write", "--lan", "--user", "quay", *root)
    assert done.exit_code == 0, done.output
    text = (tmp_path / UNIT).read_text()
    assert "User=quay\n" in text
    (start,) = [line for line in text.splitlines() if line.startswith("ExecStart=")]
    assert start.endswith(f"/{SETS}/rig.yaml /{SETS}/set.yaml --lan")
    for name in ("rig.yaml", "set.yaml"):
        assert (tmp_path / SETS / name).read_bytes() == (DEMO / name).read_bytes()
    (tmp_path / SETS / "set.yaml").write_text("set: mine now\n")
    done = install_service(tmp_path, "--write", *root)
    assert "set.yaml is there already and stays" in done.output
    assert (tmp_path / SETS / "set.yaml").read_text() == "set: mine now\n"
    assert "User=lanebridge\n" in (tmp_path / UNIT).read_text()
    assert "nothing is removed" in run("remove-service", *root).output
    assert (tmp_path / UNIT).exists()
    assert run("remove-service", "--write", *root).exit_code == 0
    assert not (tmp_path / UNIT).exists()
    assert (tmp_path / SETS / "rig.yaml").exists()
    assert run("remove-service", "--write", *root).exit_code == 1


def test_profiles_and_tuning_beside_the_rig_come_along(tmp_path: Path) -> None:
    own = tmp_path / "own"
    own.mkdir()
    profile = (DEMO.parents[1] / "profiles" / "eight-gates-four-cv.yaml").read_text()
    own_profile = profile.replace("eight-gates-four-cv", "harbour")
    (own / "harbour.yaml").write_text(own_profile)
    (own / "rig.yaml").write_text("rig: Quay rack\ninterfaces: {main: {profile: harbour}}\n")
    (own / "set.yaml").write_text("set: x\nlanes: {a: {steps: x, out: main.gate-1}}\n")
    tuning = tuning_path(own / "rig.yaml")
    tuning.write_text("outputs: {}\n")
    made = install.plan(own / "rig.yaml", own / "set.yaml", "lanebridge", tmp_path / "root", False)
    names = {path.name for path in made.files}
    assert names == {"harbour.yaml", "rig.yaml", "set.yaml", tuning.name, install.UNIT}


@pytest.mark.parametrize("place", ["/home/quay/venv/bin/python", "/root/venv/bin/python"])
def test_an_installation_that_the_unit_would_not_see_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: str
) -> None:
    monkeypatch.setattr(sys, "executable", place)
    done = install_service(tmp_path)
    assert done.exit_code == 1
    assert "home folder" in done.stderr


def test_wrong_files_are_said_before_anything_is_done(tmp_path: Path) -> None:
    (tmp_path / "set.yaml").write_text("set: x\nlanes: {a: {steps: '?', out: main.gate-1}}\n")
    done = run("install-service", str(DEMO / "rig.yaml"), str(tmp_path / "set.yaml"), "--write")
    assert done.exit_code == 1
    assert "set.yaml:2" in done.stderr


def test_the_unit_made_is_one_that_systemd_takes(tmp_path: Path) -> None:
    if shutil.which("systemd-analyze") is None:
        pytest.skip("there is no systemd-analyze")
    unit = install.unit_for("quay.yaml", "tide.yaml", "root", Path("/bin"), lan=True)
    unit = unit.replace("/bin/lanebridge", "/bin/true").replace("/bin/python ", "/bin/true ")
    (tmp_path / "lanebridge.service").write_text(unit)
    done = subprocess.run(
        ["systemd-analyze", "verify", str(tmp_path / "lanebridge.service")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
