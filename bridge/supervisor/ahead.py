"""Processes that are begun before anything else is read: what players come from, and who reads the
files.

They take longer to load than the supervisor itself. Begun first, they load beside it on another
core, and wait for what they are given. They end by themselves when nothing comes: their standard
input is closed then. Nothing heavy may be imported here.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import NamedTuple, TypeAlias

from bridge.late import WITHOUT_COLUMNS
from bridge.supervisor.fork_server import Forked, ForkServer
from bridge.supervisor.unneeded import leave_out_openssl_digests
from bridge.supervisor.voice import hold_standard_handles

Child: TypeAlias = "subprocess.Popen[bytes] | Forked"

KEEPS_BYTES = 1 << 30
"""What players come from takes 6 MB all the time, which a computer with less memory keeps for
itself."""


class Players:
    """Where players come from. Most of a player's start is loading its modules, on a small board
    over a second of it. So where there is memory enough a process has loaded them and forks players
    (`bridge.supervisor.fork_server`): after a death the next one has only to be told what to play.

    Args:
        memory: bytes of memory that this computer has; what the system says where it is not given.
        shares: the first server is forked from this process (`ForkServer`).

    Attributes:
        keeps: whether there is memory for it.
    """

    def __init__(self, memory: int | None = None, *, shares: bool = False) -> None:
        memory = memory_bytes() if memory is None else memory
        self.keeps = memory >= KEEPS_BYTES and sys.platform.startswith("linux")
        self._server: ForkServer | None = None
        self._first: Child | None = None
        if self.keeps:
            self._make(shares)
        else:
            self._first = start_player()

    @property
    def server(self) -> ForkServer | None:
        return self._server

    def take(self) -> Child:
        """A player that waits on its standard input for its start."""
        first, self._first = self._first, None
        if first is not None:
            if first.poll() is None:
                return first
            _discard(first)
        if self._server is not None:
            try:
                return self._server.fork()
            except OSError:
                self._server.close()
                self._server = None
        return start_player()

    def make_ready(self) -> None:
        """Sees to it that the next one can be had at once, where there is memory for that."""
        if self._server is not None and not self._server.there:
            self._server.close()
            self._server = None
        if self.keeps and self._server is None:
            self._make(shares=False)

    def _make(self, shares: bool) -> None:
        with contextlib.suppress(OSError):  # without it a start takes longer, no more
            self._server = ForkServer(shares=shares)

    def close(self) -> None:
        """No other is asked for. A player that has been taken goes on."""
        server, self._server = self._server, None
        if server is not None:
            server.close()
        first, self._first = self._first, None
        if first is not None:
            _discard(first)


class Ahead(NamedTuple):
    """Where players come from, and a process that reads files (`bridge.supervisor.loading`), which
    still waits."""

    players: Players
    reader: subprocess.Popen[bytes]


def start_player() -> Child:
    """Starts a player process that waits on its standard input for its start."""
    return subprocess.Popen(
        [sys.executable, *WITHOUT_COLUMNS, "-m", "bridge.player"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )


def start_reader() -> subprocess.Popen[bytes]:
    """Starts a process that waits on its standard input for what it shall load."""
    return subprocess.Popen(
        [sys.executable, "-m", "bridge.supervisor.loading"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        start_new_session=True,
    )


def memory_bytes() -> int:
    """Bytes of memory that this computer has."""
    return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")


@contextmanager
def begun_ahead(*, shares: bool = False) -> Iterator[Ahead]:
    """Both, for `bridge.supervisor.supervise.run`; what was not made use of has ended after it.

    Args:
        shares: the program has only begun, so that a fork of it is light and has one thread.
    """
    hold_standard_handles()  # or its pipes would take their places
    ahead = Ahead(Players(shares=shares), start_reader())
    leave_out_openssl_digests()  # of this process: the supervisor is loaded next
    try:
        yield ahead
    finally:
        ahead.players.close()
        if ahead.reader.stdin is not None and not ahead.reader.stdin.closed:
            _discard(ahead.reader)


def _discard(child: Child) -> None:
    """Ends it, and closes its pipes."""
    child.kill()
    child.wait()
    for pipe in (child.stdin, child.stdout, child.stderr):
        if pipe is not None:
            with contextlib.suppress(BrokenPipeError):
                pipe.close()
