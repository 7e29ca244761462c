"""The unit that ships can do what the program does: write where rig and sets are, and no more.

systemd.exec(5): with ``ProtectSystem=strict`` everything is read-only but what is named, and
``StateDirectory=`` names folders below /var/lib that belong to the unit's user. systemd.unit(5): a
unit with ``StartLimitIntervalSec=0`` is started again for ever.
"""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path, PurePosixPath

import pytest

from bridge.player import closing
from bridge.supervisor import moment, supervise, voice

SYSTEMD = Path(__file__).parent.parent / "systemd"


def unit() -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for line in (SYSTEMD / "lanebridge.service").read_text("utf-8").splitlines():
        name, sign, value = line.partition("=")
        if sign and not line.startswith("#"):
            found.setdefault(name.strip(), []).append(value.strip())
    return found


def writable() -> list[PurePosixPath]:
    settings = unit()
    names = " ".join(settings["StateDirectory"]).split()
    return [PurePosixPath("/var/lib") / name for name in names]


def test_every_file_it_is_started_with_lies_where_it_may_write() -> None:
    settings = unit()
    assert settings["ProtectSystem"] == ["strict"]
    files = [word for line in settings["ExecStart"] for word in shlex.split(line)[1:]]
    files = [word for word in files if word.endswith(".yaml")]
    assert len(files) == 2
    for file in files:
        assert any(PurePosixPath(file).parent == folder for folder in writable()), file
    (stop,) = settings["ExecStopPost"]
    assert shlex.split(stop)[-1] == files[0], "the rig whose outputs are closed is the one played"


def test_the_state_folder_is_one_of_them() -> None:
    home = dict(word.split("=") for word in " ".join(unit()["Environment"]).split())
    assert PurePosixPath(home["XDG_STATE_HOME"]) / "lanebridge" in writable()


def test_nothing_ends_it_for_good() -> None:
    settings = unit()
    assert settings["Restart"] == ["always"]
    assert settings["StartLimitIntervalSec"] == ["0"]


def test_it_is_watched_and_has_time_to_end() -> None:
    """systemd.service(5): ``Type=notify`` with ``WatchdogSec=``; who is not heard is restarted."""
    settings = unit()
    assert settings["Type"] == ["notify"]
    assert int(settings["WatchdogSec"][0]) >= 10
    assert settings["TimeoutStartSec"] == ["infinity"], "a missing port is waited for"
    longest = supervise.STOP_S + closing.OFTEN_NS / 1e9 + moment.END_S + 2 * voice.DRAIN_S
    assert longest < int(settings["TimeoutStopSec"][0])
    (stop,) = settings["ExecStopPost"]
    assert shlex.split(stop)[1:3] == ["-m", "bridge.supervisor.lastwords"]


def test_systemd_takes_it_and_finds_it_closed(tmp_path: Path) -> None:
    """systemd-analyze(1): no output of ``verify`` is good; ``security`` weighs the sandbox."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("there is no systemd-analyze")
    text = (SYSTEMD / "lanebridge.service").read_text("utf-8")
    there = tmp_path / "lanebridge.service"
    there.write_text(text.replace("/opt/lanebridge/bin/", f"{Path(sys.executable).parent}/"))
    done = subprocess.run(
        ["systemd-analyze", "verify", str(there)], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout + done.stderr) == (0, "")
    weighed = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--threshold=15", str(there)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert weighed.returncode == 0, weighed.stdout[-200:]


def test_the_notes_name_the_same_folder() -> None:
    notes = (SYSTEMD / "README.md").read_text("utf-8")
    assert all(str(folder) in notes for folder in writable())
    assert "/etc/lanebridge" not in notes


def test_every_line_of_the_threat_model_names_a_test_that_there_is() -> None:
    root = Path(__file__).parent
    chapter = (root.parent / "systemd/README.md").read_text(encoding="utf-8")
    chapter = chapter.split("## What somebody on the same network")[1].split("\n## ")[0]
    lines = [line for line in chapter.splitlines() if line.startswith("| ") and "---" not in line]
    named = [match[1] for line in lines if (match := re.search(r"`(test_\w+)` \|$", line))]
    assert len(named) == len(lines) - 2  # two heads
    written = "".join(path.read_text(encoding="utf-8") for path in root.rglob("test_*.py"))
    assert [name for name in named if f"def {name}(" not in written] == []
