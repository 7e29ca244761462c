"""Everything dies at once, as in a power cut, and the same command is given again.

What must come back: the text with its unsaved edits, mutes, macros, the tempo, the place (its bar),
standing or playing as the rig says. A file that somebody has written since is not replaced.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import time
import urllib.request
from pathlib import Path
from typing import Any

import pytest
from support.killing import KICK, OTHER, RIG, SET, Stage, children, wait_for
from support.patience import PATIENCE_S

from bridge.supervisor.last_moment import decode

pytestmark = [pytest.mark.real, pytest.mark.timeout(300)]

EDITED = SET.replace('"xxxx"', '"x.xx"')


def change(stage: Stage) -> None:
    """A hand on everything that must come back."""
    request = urllib.request.Request(
        f"http://127.0.0.1:{stage.http}/api/set",
        json.dumps({"text": EDITED, "when": "step"}).encode(),
        {"Content-Type": "application/json"},
        method="PUT",
    )
    urllib.request.urlopen(request, timeout=PATIENCE_S).close()
    stage.put("/api/lanes/spray/mute", {"muted": True, "when": "now"})
    stage.put("/api/macros/depth", {"value": 0.9})
    stage.put("/api/tempo", {"bpm": 133.0})


def kept(folder: Path) -> Any:
    with contextlib.suppress(OSError, ValueError):
        return decode((folder / "lanebridge" / "moment").read_bytes())
    return None


def cut(stage: Stage) -> int:
    """The power goes, when the moment is on the disk; gives the bar that was played."""

    def there() -> bool:
        moment = kept(stage.folder)
        return (
            moment is not None
            and moment.tempo == 133.0
            and moment.performance["macros"]["depth"]["value"] == 0.9
            and moment.performance["lanes"]["spray"]["under"] is True
            and moment.bar >= 2
        )

    wait_for(there, PATIENCE_S, "the moment", stage)
    bar = int(stage.state()["transport"]["bar"])
    family = [stage.process.pid, *children(stage.process.pid)]
    for pid in family:
        os.kill(pid, signal.SIGSTOP)  # nobody notices before all are gone
    for pid in family:
        os.kill(pid, signal.SIGKILL)
    stage.end()
    stage.log.unlink()
    return bar


@pytest.mark.parametrize("resume", ["stopped", "playing"])
def test_what_was_played_comes_back(tmp_path: Path, resume: str) -> None:
    stage = Stage(tmp_path, text=SET)
    try:
        stage.ready()
        change(stage)
        bar = cut(stage)
    finally:
        stage.end()
    again = Stage(tmp_path, start=False, rig=f"{RIG}resume: {resume}\n", text=None)
    try:
        wait_for(again.answers, PATIENCE_S, "the page", again)
        if resume == "playing":
            wait_for(lambda: again.hits(OTHER), PATIENCE_S, "playing", again)
        # The service takes the text over from the player a moment after it is up.
        wait_for(
            lambda: not again.state()["document"]["saved"], PATIENCE_S, "the unsaved text", again
        )
        state = again.state()
        assert state["macros"]["depth"]["value"] == 0.9
        assert state["lanes"]["spray"]["muted"] is True
        assert state["tempo"] == 133.0
        assert state["transport"]["tempo"] == 133.0
        said = "\n".join(state["warnings"])
        assert "restored the unsaved changes of set.yaml" in said
        assert f"restored after a power cut: {resume} at bar" in said
        place = state["transport"]
        if resume == "stopped":
            assert place["state"] == "stopped"
            assert bar - 2 <= place["bar"] <= bar
            assert place["tick"] % 3840 == 0
            assert not again.hits(KICK)
        else:
            assert place["state"] == "running"
            assert place["bar"] >= bar - 2
            on = [hit.ns for hit in again.hits(KICK)]
            assert on[0] == min(hit.ns for hit in (*again.hits(OTHER), *again.hits(KICK)))
        # An end in good order: the file is played then, and what was typed lies beside it.
        again.process.send_signal(signal.SIGTERM)
        assert again.process.wait(PATIENCE_S) == 0
    finally:
        again.end()
    third = Stage(tmp_path, start=False, text=None)
    try:
        wait_for(third.answers, PATIENCE_S, "the page", third)
        state = third.state()
        assert state["document"]["saved"] is True
        assert state["macros"]["depth"]["value"] == 0.2
        (copy,) = (tmp_path / "backups").iterdir()
        assert copy.read_text() == EDITED
        assert copy.name in "\n".join(state["warnings"])
    finally:
        third.end()


def test_a_file_that_was_written_since_is_played(tmp_path: Path) -> None:
    stage = Stage(tmp_path, text=SET)
    try:
        stage.ready()
        change(stage)
        cut(stage)
    finally:
        stage.end()
    newer = SET.replace("Undertow", "Slack water")
    again = Stage(tmp_path, start=False, text=newer)
    try:
        wait_for(again.answers, PATIENCE_S, "the page", again)
        state = again.state()
        assert state["set"] == "Slack water"
        assert state["document"]["saved"] is True
        assert state["macros"]["depth"]["value"] == 0.9, "the hand's part is by name"
        (copy,) = (tmp_path / "backups").iterdir()
        assert copy.read_text() == EDITED
        assert "was changed by somebody else" in "\n".join(state["warnings"])
        time.sleep(0.1)
    finally:
        again.end()
