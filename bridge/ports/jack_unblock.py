"""Frees a JACK server that lets no client in any more since some of its clients died.

Why it happens (jackd2 1.9.21, read in its source and caught in the act): while dead clients are in
the graph, the server's real-time thread tells the thread that answers requests of several xruns a
cycle, over a socket that never blocks (`JackSocketServerNotifyChannel`). A word that finds the
socket full is dropped and counts as sent (`JackClientSocket::Write`), and 55 messages fill it:
about as many as come while that thread takes four dead clients away, one after the other. When the
last message was cut off so, that thread waits in the middle of it for the rest, and answers nobody
until the next xrun: 0.8 to 22 s on a busy computer, and on a quiet one perhaps for ever. A second
attempt to open a client waits as well; only an xrun helps.

So an xrun is made: the server is stopped for a few milliseconds. It has lost cycles just before
anyway, and a gate that stays open is worse. Only who closes outputs after a sudden end of
everything does this, and only when an opening takes longer than on a busy computer.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import socket
import struct
import time
from collections.abc import Callable, Iterator
from pathlib import Path

SERVERS = Path("/dev/shm")
WAIT_S = 0.4
"""An opening that takes so long is taken for one that waits for an xrun. The longest that did not
took 0.38 s (measured on two cores with ten programs at work)."""
AGAIN_S = 0.2
PAUSES_S = (0.005, 0.005, 0.01, 0.02, 0.04, 0.08)
"""It must be late by a cycle, or by its buffer: a millisecond to some tens of them."""


def server_pid(servers: Path = SERVERS) -> int | None:
    """The process that listens on the JACK server's socket (unix(7), SO_PEERCRED), or None.

    Args:
        servers: the folder of the servers' sockets (jack2, ``jack_server_dir``).

    """
    name = os.environ.get("JACK_DEFAULT_SERVER", "default")
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX) as asked:
        asked.setblocking(False)
        asked.connect(str(servers / f"jack_{name}_{os.getuid()}_0"))
        kind = struct.Struct("=iII")  # struct ucred: pid, uid, gid
        pid, _, _ = kind.unpack(asked.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, kind.size))
        if pid > 1 and pid != os.getpid():
            return int(pid)
    return None


def unblock(pid: int, opened: Callable[[float], bool]) -> int:
    """
    Stops a server for a moment, and again for longer, as long as an opening waits.

    Args:
        pid: the server's process.
        opened: waits for so many seconds at most; whether the opening has come to its end.

    Returns:
        How often the server was stopped.

    """
    wait_s = WAIT_S
    for count, pause_s in enumerate(PAUSES_S):
        if opened(wait_s):
            return count
        try:
            os.kill(pid, signal.SIGSTOP)
        except OSError:  # another user's, or gone
            return count
        try:
            time.sleep(pause_s)
        finally:
            with contextlib.suppress(OSError):
                os.kill(pid, signal.SIGCONT)
        wait_s = AGAIN_S
    return len(PAUSES_S)


@contextlib.contextmanager
def unblocked() -> Iterator[None]:
    """A port is opened in its block, and the server is freed if it lets nobody in meanwhile.

    From a process of its own: the MIDI library may keep the interpreter's lock while it waits. That
    process ends with the block, and where this one dies, by itself; nothing but SIGKILL ends it
    while the server is stopped.
    """
    pid = server_pid()
    if pid is None:
        yield
        return
    told, tell = os.pipe()
    try:
        child = os.fork()
    except OSError:  # no more processes: the port is opened all the same
        child = -1
    if child == 0:
        try:
            signal.pthread_sigmask(signal.SIG_BLOCK, signal.valid_signals())
            os.close(tell)
            unblock(pid, lambda wait_s: bool(select.select([told], [], [], wait_s)[0]))
        finally:
            os._exit(0)
    os.close(told)
    try:
        yield
    finally:
        os.close(tell)
        if child > 0:
            os.waitpid(child, 0)
