"""The doctor: what is wrong is found, says what helps, and a bundle tells no secret."""

from __future__ import annotations

import io
import json
import os
import shutil
import time
import zipfile
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from bridge.cli import main
from bridge.commands import doctor
from bridge.files.token import kept_token

DEMO = Path(__file__).parents[2] / "bridge" / "demo"
SET = "set: x\nlanes: {a: {steps: x, out: main.gate-1}}\n"
NOBODY = "127.0.0.1:9"
"""The discard port: nobody answers there (RFC 863)."""


@pytest.fixture(autouse=True)
def at_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    (tmp_path / "state" / "lanebridge").mkdir(parents=True)


def run(*words: str) -> Result:
    return CliRunner().invoke(main, ["doctor", "--address", NOBODY, *words])


def test_all_that_is_looked_at_is_said_and_a_good_rig_is_no_failure() -> None:
    done = run(str(DEMO / "rig.yaml"), str(DEMO / "set.yaml"))
    assert done.exit_code == 0, done.output
    for what in ("version:", "MIDI:", "disk:", "files: rig and set load"):
        assert what in done.output


def test_a_wrong_set_fails_and_names_the_place(tmp_path: Path) -> None:
    (tmp_path / "set.yaml").write_text("set: x\nlanes: {a: {steps: '?', out: main.gate-1}}\n")
    done = run(str(DEMO / "rig.yaml"), str(tmp_path / "set.yaml"))
    assert done.exit_code == 1
    assert "FAILING files:" in done.output
    assert "set.yaml:2" in done.stderr
    assert "lanebridge check" in done.output


def test_a_lost_time_a_full_or_closed_disk_and_a_hot_processor_are_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (finding,) = doctor.time_of_day(86_400.0)
    assert "1970" in finding.says
    assert not list(doctor.time_of_day(time.mktime((2026, 2, 1, 0, 0, 0, 0, 0, 0))))
    with monkeypatch.context() as patched:
        patched.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(9, 8, 1 << 20))
        (finding,) = doctor.disk(tmp_path / "state")
        assert (finding.level, finding.do) == ("warning", "make room")
    with monkeypatch.context() as patched:
        patched.setattr(os, "access", lambda *_: False)
        (finding,) = doctor.disk(tmp_path / "nowhere" / "yet")
        assert "XDG_STATE_HOME" in finding.do
    for name, text in (
        ("cpu0/cpufreq/scaling_governor", "powersave\n"),
        ("cpu0/thermal_throttle/core_throttle_count", "3\n"),
    ):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text)
    says = " ".join(finding.says for finding in doctor.processor(tmp_path))
    assert "powersave" in says
    assert "3 times" in says


def test_what_runs_is_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    row = {"what": "port main", "level": "warning", "says": "away", "do": "look at its cable"}
    monkeypatch.setattr(doctor, "asked", lambda address, what: {"findings": [row]})
    found = list(doctor.running(None))
    assert found[0].says == "runs"
    assert found[1]._asdict() == row


def test_a_bundle_tells_no_token(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    token, _ = kept_token(tmp_path / "state" / "lanebridge")
    shutil.copy(DEMO / "rig.yaml", tmp_path / "rig.yaml")
    (tmp_path / "set.yaml").write_text(f"# http://192.0.2.7:8420/?token={token}\n{SET}")
    answers: dict[str, Any] = {
        "healthz": {"findings": []},
        "api/state": {"set": "x", "links": {"echoing": ["192.0.2.9"]}, "warnings": [token]},
    }
    monkeypatch.setattr(
        doctor, "asked", lambda address, what: json.loads(json.dumps(answers[what]))
    )
    done = run(
        str(tmp_path / "rig.yaml"), str(tmp_path / "set.yaml"), "--bundle", str(tmp_path / "b.zip")
    )
    assert f"wrote {tmp_path}/b.zip" in done.output
    raw = (tmp_path / "b.zip").read_bytes()
    with zipfile.ZipFile(io.BytesIO(raw)) as archive:
        texts = {name: archive.read(name).decode() for name in archive.namelist()}
    assert set(texts) == {
        "findings.json",
        "system.json",
        "state.json",
        "files/rig.yaml",
        "files/set.yaml",
    }
    assert not [name for name, text in texts.items() if token in text or "192.0.2.9" in text]
    assert "(token)" in texts["files/set.yaml"]
    assert run("--bundle", str(tmp_path / "b.yaml")).exit_code == 2
