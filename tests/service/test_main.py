"""The process: its arguments, its one line, its clean end, its exit codes."""

from __future__ import annotations

import asyncio
import json
import os
import re
import signal
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from support.patience import PATIENCE_S

from bridge.service.__main__ import parse


def arguments(folder: Path, **more: object) -> list[str]:
    given = {
        "rig": str(folder / "rig.yaml"),
        "set": str(folder / "low-tide.yaml"),
        "socket": str(folder / "player.sock"),
        "http_port": 0,
        "osc_port": 0,
        **more,
    }
    return [json.dumps(given)]


def test_arguments_become_options(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("LANEBRIDGE_TOKEN", raising=False)
    options = parse(['{"rig": "r.yaml", "set": "s.yaml", "socket": "p.sock"}'])
    assert (options.rig, options.set, options.socket) == tuple(
        map(Path, ("r.yaml", "s.yaml", "p.sock"))
    )
    assert (options.http_port, options.osc_port, options.lan) == (8420, 8421, False)
    monkeypatch.setenv("LANEBRIDGE_TOKEN", "abc")
    options = parse(arguments(tmp_path, lan=True, state_dir="x"))
    assert (options.lan, options.token, options.state_dir) == (True, "abc", Path("x"))


@pytest.mark.parametrize(
    "words", [[], ["{}"], ["[]"], ["rig.yaml"], ["--help"], ["{}", "{}"], ['{"sett": 1}'], ["1"]]
)
def test_wrong_arguments_are_usage(words: list[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        parse(words)
    assert ended.value.code == 2


def test_the_network_needs_a_token(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("LANEBRIDGE_TOKEN", raising=False)
    with pytest.raises(SystemExit) as ended:
        parse(arguments(tmp_path, lan=True))
    assert ended.value.code == 2


async def start(*args: str) -> asyncio.subprocess.Process:
    return await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "bridge.service",
        *args,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(Path.cwd())},
    )


async def test_it_says_ready_and_ends_clean_on_a_signal(player: Any, folder: Path) -> None:
    process = await start(*arguments(folder))
    assert process.stdout is not None
    line = await asyncio.wait_for(process.stdout.readline(), PATIENCE_S)
    assert re.fullmatch(rb"ready http://127\.0\.0\.1:\d+/\n", line)
    process.send_signal(signal.SIGTERM)
    out, err = await asyncio.wait_for(process.communicate(), PATIENCE_S)
    assert process.returncode == 0, err
    assert set(out.splitlines()) <= {b"alive"}
    assert b"Traceback" not in err


async def test_a_port_in_use_is_said_with_code_1(player: Any, folder: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        process = await start(*arguments(folder, http_port=taken.getsockname()[1]))
        _, err = await asyncio.wait_for(process.communicate(), PATIENCE_S)
    assert process.returncode == 1
    assert b"address already in use" in err
    assert b"Traceback" not in err


async def test_wrong_files_are_said_with_code_1(player: Any, folder: Path) -> None:
    (folder / "low-tide.yaml").write_text("set: x\nlanes: {a: {stepps: x}}\n", encoding="utf-8")
    process = await start(*arguments(folder))
    _, err = await asyncio.wait_for(process.communicate(), PATIENCE_S)
    assert process.returncode == 1
    assert b"stepps" in err
    assert b"Traceback" not in err


def test_it_loads_what_is_rarely_asked_for_when_it_is() -> None:
    """What prints a sheet, goes on from a take or weighs another set is a twentieth of its memory:
    a performance without that does without it."""
    code = "import sys, bridge.service.__main__; print(*sys.modules)"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    late = {
        "bridge.paper.chart_pages",
        "bridge.paper.manual",
        "bridge.paper.sheet",
        "bridge.paper.take_again",
        "bridge.paper.take_chart",
        "bridge.paper.take_midi",
        "bridge.player.core",
        "bridge.player.dispatch",
        "bridge.player.songclock",
        "bridge.player.work",
        "mido",
        "numpy",
        "segno",
        "zeroconf",
    }
    assert late & set(run.stdout.split()) == set()
