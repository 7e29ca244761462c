"""What reads our lines goes away, hangs, or is a full disk: nothing of it ends or holds up playing.

POSIX: write(2) gives EPIPE without a reader and ENOSPC on a full device, and waits on a full pipe;
``/dev/full`` (full(4)) is a disk that is always full.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import signal
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from support.killing import OTHER, Stage, service_pid, wait_for
from support.patience import PATIENCE_S

pytestmark = [pytest.mark.real, pytest.mark.timeout(300)]


@contextlib.contextmanager
def bad_output(how: str) -> Iterator[int]:
    """A handle to write to that is closed at the other end, full, or never read."""
    if how == "full":
        handle = os.open("/dev/full", os.O_WRONLY)
        yield handle
        os.close(handle)
        return
    read, write = os.pipe()
    if how == "closed":
        os.close(read)
    else:
        os.set_blocking(write, False)
        with contextlib.suppress(BlockingIOError):
            while True:
                os.write(write, b"x" * 4096)
        os.set_blocking(write, True)
        assert not fcntl.fcntl(write, fcntl.F_GETFL) & os.O_NONBLOCK
    yield write
    os.close(write)
    if how != "closed":
        os.close(read)


@pytest.mark.parametrize("how", ["closed", "full", "stuck"])
def test_killed_processes_are_replaced_though_nothing_can_be_said(tmp_path: Path, how: str) -> None:
    with bad_output(how) as handle:
        stage = Stage(tmp_path, stdout=handle, stderr=handle)
        try:
            stage.ready()
            player = stage.player()
            killed = time.monotonic_ns()
            os.kill(player, signal.SIGKILL)
            wait_for(
                lambda: [hit for hit in stage.hits(OTHER, killed) if hit.pid != player],
                PATIENCE_S,
                "another player",
                stage,
            )
            os.kill(service_pid(stage), signal.SIGKILL)
            wait_for(lambda: not stage.answers(), PATIENCE_S, "the kill", stage)
            wait_for(stage.answers, PATIENCE_S, "another service", stage)
            stage.process.send_signal(signal.SIGHUP)
            since = time.monotonic_ns()
            wait_for(lambda: stage.hits(OTHER, since), PATIENCE_S, "playing on", stage)
            assert stage.state()["player"]["restarts"] == 1
            stage.process.send_signal(signal.SIGTERM)
            assert stage.process.wait(PATIENCE_S) == 0
            assert not stage.open_notes()
        finally:
            stage.end()


def test_a_service_manager_hears_that_it_plays_and_that_its_loop_goes_round(tmp_path: Path) -> None:
    """The manager's end of sd_notify(3): a datagram socket. A loop that stands gives no sign."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(PATIENCE_S)
        env = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "1000000"}
        stage = Stage(tmp_path, env=env)
        try:
            heard = [manager.recv(4096).decode()]
            while "WATCHDOG=1" not in heard or "READY=1" not in heard:
                heard.append(manager.recv(4096).decode())
            stage.ready()
            stage.process.send_signal(signal.SIGSTOP)
            manager.setblocking(False)
            with contextlib.suppress(BlockingIOError):
                while True:
                    manager.recv(4096)
            time.sleep(1.2)
            with pytest.raises(BlockingIOError):
                manager.recv(4096)
            stage.process.send_signal(signal.SIGCONT)
            manager.settimeout(PATIENCE_S)
            assert manager.recv(4096)
            since = time.monotonic_ns()
            wait_for(lambda: stage.hits(OTHER, since), PATIENCE_S, "playing on", stage)
            assert stage.state()["player"]["restarts"] == 0, "its own pause was nobody's fault"
            stage.process.send_signal(signal.SIGTERM)
            while manager.recv(4096) != b"STOPPING=1":
                pass
            assert stage.process.wait(PATIENCE_S) == 0
        finally:
            stage.end()


def test_a_service_that_hangs_leaves_no_port_behind_and_its_log_is_whole_objects(
    tmp_path: Path,
) -> None:
    stage = Stage(tmp_path, more=("--log", "json"))
    try:
        stage.ready()
        out = tmp_path / "out.txt"
        wait_for(lambda: "HTTP on port" in out.read_text(), PATIENCE_S, "its first line", stage)
        service, player = service_pid(stage), stage.player()
        os.kill(service, signal.SIGSTOP)
        stage.process.kill()
        stage.process.wait()
        for pid in (service, player):
            wait_for(lambda pid=pid: not Path(f"/proc/{pid}").exists(), PATIENCE_S, "all", stage)  # type: ignore[misc]
        assert not stage.open_notes()
    finally:
        stage.end()
    lines = (tmp_path / "out.txt").read_text().splitlines()
    rows = [json.loads(line) for line in lines if line.startswith("{")]
    assert {row["from"] for row in rows} >= {"service"}
    assert all(set(row) == {"time", "level", "from", "text"} for row in rows)
