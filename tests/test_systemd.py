"""The unit that ships can do what the program does: write where rig and sets are, and no more.

systemd.exec(5): with ``ProtectSystem=strict`` everything is read-only but what is named, and
``StateDirectory=`` names folders below /var/lib that belong to the unit's user. systemd.unit(5): a
unit with ``StartLimitIntervalSec=0`` is started again for ever.
"""

from __future__ import annotations

import re
import shlex
from pathlib import Path, PurePosixPath

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
