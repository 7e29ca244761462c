"""A JACK server that waits for an xrun is stopped for a moment, and always goes on."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.ports import jack_unblock
from bridge.ports.jack_unblock import AGAIN_S, PAUSES_S, WAIT_S, server_pid, unblock

ROOT = Path(__file__).parent.parent.parent
STAND_IN = """\
import os, signal, socket, sys

listening = socket.socket(socket.AF_UNIX)
listening.bind(sys.argv[1])
listening.listen()
# It lets somebody in only after it was stopped and went on, as a server after an xrun.
signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGCONT])
print("ready", flush=True)
signal.sigwait([signal.SIGCONT])
listening.accept()[0].close()  # who asked for its process
listening.accept()[0].send(b"in")
"""
CLIENT = """\
import socket, sys
from bridge.ports import jack_unblock

jack_unblock.WAIT_S = 0.01
find = jack_unblock.server_pid
jack_unblock.server_pid = lambda: find(jack_unblock.Path(sys.argv[1]).parent)
with jack_unblock.unblocked():
    client = socket.socket(socket.AF_UNIX)
    client.connect(sys.argv[1])
    print(client.recv(2).decode())
"""


@pytest.fixture
def stand_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[subprocess.Popen[str]]:
    """Listens where jack2 does: jack_server_dir/jack_SERVER_UID_0 (posix/JackSocket.cpp)."""
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "quay")
    path = tmp_path / f"jack_quay_{os.getuid()}_0"
    with subprocess.Popen(
        [sys.executable, "-c", STAND_IN, str(path)], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        try:
            yield process
        finally:
            process.kill()


def test_the_process_behind_the_servers_socket_is_found(
    stand_in: subprocess.Popen[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert server_pid(tmp_path) == stand_in.pid
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "tide")
    assert server_pid(tmp_path) is None, "another server's name"


def test_who_waits_for_a_server_that_waits_for_an_xrun_is_let_in(
    stand_in: subprocess.Popen[str], tmp_path: Path
) -> None:
    path = tmp_path / f"jack_quay_{os.getuid()}_0"
    run = subprocess.run(
        [sys.executable, "-c", CLIENT, str(path)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert (run.stdout, run.stderr) == ("in\n", "")
    assert stand_in.wait() == 0, "it has gone on, and to its end"


class Signals:
    """What was sent, and how long it was waited in between."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, opens_after: int) -> None:
        self.sent: list[int] = []
        self.waited: list[float] = []
        self.slept: list[float] = []
        self._opens_after = opens_after
        monkeypatch.setattr("bridge.ports.jack_unblock.os.kill", self.kill)
        monkeypatch.setattr("bridge.ports.jack_unblock.time.sleep", self.sleep)

    def kill(self, pid: int, number: int) -> None:
        assert pid == 4711
        self.sent.append(number)

    def sleep(self, seconds: float) -> None:
        assert self.sent[-1] == signal.SIGSTOP
        self.slept.append(seconds)

    def opened(self, wait_s: float) -> bool:
        self.waited.append(wait_s)
        return len(self.waited) > self._opens_after


@pytest.mark.parametrize("stops", [0, 1, 3, len(PAUSES_S)])
def test_a_server_is_stopped_until_it_opens_and_not_for_ever(
    monkeypatch: pytest.MonkeyPatch, stops: int
) -> None:
    signals = Signals(monkeypatch, opens_after=stops)
    assert unblock(4711, signals.opened) == stops
    assert signals.sent == [signal.SIGSTOP, signal.SIGCONT] * stops
    assert tuple(signals.slept) == PAUSES_S[:stops]
    assert signals.waited == [WAIT_S, *[AGAIN_S] * stops][: len(PAUSES_S)]
    assert max(PAUSES_S) < 0.1


def test_whatever_happens_meanwhile_the_server_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    signals = Signals(monkeypatch, opens_after=9)

    def broken(seconds: float) -> None:
        raise OSError("no sleep")

    monkeypatch.setattr("bridge.ports.jack_unblock.time.sleep", broken)
    with pytest.raises(OSError, match="no sleep"):
        unblock(4711, signals.opened)
    assert signals.sent == [signal.SIGSTOP, signal.SIGCONT]


def test_the_server_of_another_user_is_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(pid: int, number: int) -> None:
        raise PermissionError("not ours")

    signals = Signals(monkeypatch, opens_after=9)
    monkeypatch.setattr("bridge.ports.jack_unblock.os.kill", refused)
    assert unblock(4711, signals.opened) == 0
    assert signals.slept == []


def test_without_a_server_nothing_is_started(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def never() -> int:
        raise AssertionError("a process")

    monkeypatch.setattr(jack_unblock, "server_pid", lambda: server_pid(tmp_path))
    monkeypatch.setattr("bridge.ports.jack_unblock.os.fork", never)
    with jack_unblock.unblocked():
        pass
