"""The program where the unit puts it: everything read-only but the folders that the unit names.

Emulates `ProtectSystem=strict`, `PrivateTmp=yes`, `StateDirectory` and `RuntimeDirectory` of
systemd.exec(5) by mounts in a mount namespace of the test's own.
"""

from __future__ import annotations

import json
import shlex
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parent.parent.parent
UNIT = ROOT / "systemd" / "lanebridge.service"
DEMO = ROOT / "bridge" / "demo"
INSIDE = """
set -e
mount --make-rprivate /
mount -t tmpfs tmpfs /var/lib
mount -t tmpfs tmpfs /run
mkdir -p /var/lib/lanebridge/sets /run/lanebridge
cp {demo}/rig.yaml {demo}/set.yaml /var/lib/lanebridge/sets/
mount --bind / /
mount -o remount,bind,ro /
if touch {root}/written 2>/dev/null; then echo "the root is not read-only"; exit 9; fi
exec env {environment} {python} -m bridge.cli {words} --port {http} --osc-port {osc}
"""


def free_port(kind: int = socket.SOCK_STREAM) -> int:
    with socket.socket(socket.AF_INET, kind) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def of_unit(key: str) -> str:
    lines = UNIT.read_text(encoding="utf-8").splitlines()
    return next(line.partition("=")[2] for line in lines if line.startswith(f"{key}="))


@pytest.mark.real
def test_saving_and_tuning_work_where_the_unit_lets_it_write(
    needs: Callable[..., None], until: Callable[..., Any]
) -> None:
    needs("root", "unshare")
    http, osc = free_port(), free_port(socket.SOCK_DGRAM)
    words = shlex.split(of_unit("ExecStart"))[1:]
    assert words[0] == "play"
    script = INSIDE.format(
        demo=DEMO,
        root=ROOT,
        environment=f"{of_unit('Environment')} PYTHONPATH={ROOT} PYTHONUNBUFFERED=1",
        python=sys.executable,
        words=shlex.join(words),
        http=http,
        osc=osc,
    )
    process = subprocess.Popen(
        ["unshare", "--mount", "sh", "-c", script],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )

    def call(method: str, path: str, body: Any = None) -> Any:
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(
            f"http://127.0.0.1:{http}/api/{path}",
            data,
            {"Content-Type": "application/json"},
            method=method,
        )
        try:
            with urllib.request.urlopen(request, timeout=30) as answer:
                return json.load(answer)
        except urllib.error.HTTPError as error:
            pytest.fail(f"{method} {path}: {error.read().decode()}")

    def state() -> Any:
        assert process.poll() is None, process.stdout and process.stdout.read()
        try:
            return call("GET", "state")
        except OSError:
            return None

    try:
        until(state, 120, "the page is up")
        text = call("GET", "set")["text"]
        call("PUT", "set", {"text": text.replace("tempo: 126", "tempo: 127"), "when": "step"})
        saved = call("POST", "set/save", {})
        assert saved["saved"] is True
        found = call("GET", "state")
        assert found["document"]["saved"] is True
        assert not found["document"].get("notes")
        session = call("POST", "tuning/session", {"output": "main.pitch-1", "every": 12})
        for note in session["notes"]:
            # One volt an octave, a hundredth flat: a plain slope, nothing doubtful.
            reading = {"note": note["note"], "text": f"{(note['note'] - 36) / 12 * 0.999:.3f} V"}
            call("PUT", "tuning/session/readings", reading)
        call("POST", "tuning/session/keep", {"doubtful": True})
        tuned = {row["output"]: row["made"] for row in call("GET", "tuning")["outputs"]}
        assert tuned["main.pitch-1"], "the tuning is not kept"
    finally:
        process.terminate()
        said, _ = process.communicate(timeout=60)
    assert "Read-only" not in said
    assert "Traceback" not in said
