"""What a service manager is told; the protocol is that of sd_notify(3)."""

from __future__ import annotations

import socket
from pathlib import Path

from bridge.supervisor.notify import Notifier


def listening(path: Path) -> socket.socket:
    sock = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    sock.bind(str(path))
    sock.setblocking(False)
    return sock


def test_words_go_to_the_socket_and_children_do_not_see_it(tmp_path: Path) -> None:
    environment = {
        "NOTIFY_SOCKET": str(tmp_path / "n"),
        "WATCHDOG_USEC": "20000000",
        "WATCHDOG_PID": "1",
        "HOME": "/",
    }
    with listening(tmp_path / "n") as manager:
        notify = Notifier(environment)
        assert environment == {"HOME": "/"}
        notify.tell(READY="1", STATUS="all is well")
        assert manager.recv(100) == b"READY=1\nSTATUS=all is well"
        signs = 0
        for tenth in range(600):  # a minute; a sign of life at half the time at most
            notify.alive(tenth / 10)
        while True:
            try:
                assert manager.recv(100) == b"WATCHDOG=1"
            except BlockingIOError:
                break
            signs += 1
        assert signs == 6
        notify.close()
        notify.tell(STOPPING="1")


def test_an_abstract_name_and_no_manager_at_all() -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind("\0lanebridge-test-notify")
        notify = Notifier({"NOTIFY_SOCKET": "@lanebridge-test-notify"})
        notify.tell(READY="1")
        assert manager.recv(100) == b"READY=1"
        notify.close()
    for environment in ({}, {"NOTIFY_SOCKET": "/nowhere/at/all"}, {"WATCHDOG_USEC": "soon"}):
        notify = Notifier(environment)
        notify.tell(READY="1")
        notify.alive(1.0)
        notify.close()
