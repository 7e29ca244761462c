"""A process that has loaded what a player is made of, and forks players from it: each begins at
once, and shares with it what none of them changes.

``python -m bridge.supervisor.fork_server``, with a socket as its standard input. For each message
there, which carries the three standard handles of a player, it forks one and answers with its
number, or with nothing where it cannot. It plays nothing itself, and ends with the supervisor. Its
players do not end with it: they are forked twice, and the process in between ends, so that the
supervisor becomes their parent, is told when they end, and ends them when it must.

The fork server of the standard library (`multiprocessing`) was left: a child of that one ends with
the server, and has no pipes in the place of its standard handles.
"""

from __future__ import annotations

import gc
import os
import signal
import socket
import subprocess
import sys
import time
from typing import BinaryIO

from bridge.late import SELDOM, WITHOUT_COLUMNS, load_late
from bridge.player.realtime import PARENT, adopting_orphans, call_itself, die_with_parent

LOADS_S, ANSWERS_S = 20.0, 0.5
"""How long the first answer may take, by which everything is loaded, and how long each later one:
a player that has to load everything is there sooner than one that is waited for any longer."""
ASKED = b"player"
NUMBER_BYTES = 20
LOOK_S = 0.0005


class ForkedChild:
    """A child of this process that was forked. What it offers means what it means to
    `subprocess.Popen`."""

    def __init__(self, pid: int) -> None:
        self.pid = pid
        self.returncode: int | None = None

    def poll(self) -> int | None:
        """Its exit code, or None while it runs."""
        return self._look(os.WNOHANG)

    def wait(self) -> int:
        """Waits for its end; its exit code."""
        code = self._look(0)
        assert code is not None
        return code

    def send_signal(self, name: signal.Signals) -> None:
        """A signal, unless it has ended."""
        if self.poll() is None:
            os.kill(self.pid, name)

    def terminate(self) -> None:
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)

    def _look(self, how: int) -> int | None:
        if self.returncode is None:
            pid, status = os.waitpid(self.pid, how)
            if pid:
                self.returncode = os.waitstatus_to_exitcode(status)
        return self.returncode


class Forked(ForkedChild):
    """A player that a fork server has forked; `stdin`, `stdout` and `stderr` are pipes."""

    def __init__(self, pid: int, handles: tuple[int, int, int]) -> None:
        super().__init__(pid)
        into, out, err = handles
        self.stdin: BinaryIO = os.fdopen(into, "wb")
        self.stdout: BinaryIO = os.fdopen(out, "rb")
        self.stderr: BinaryIO = os.fdopen(err, "rb")


class ForkServer:
    """The server, as the process that has players forked sees it; it is begun at once.

    Args:
        shares: it is forked from this very process, which has no other thread yet, so that both
            share what is loaded by now; else it is a program of its own.
    """

    def __init__(self, *, shares: bool = False) -> None:
        self._sock, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._process: subprocess.Popen[bytes] | ForkedChild
        with theirs:
            if shares:
                self._process = ForkedChild(_fork_server(self._sock, theirs))
            else:
                self._process = subprocess.Popen(
                    [sys.executable, *WITHOUT_COLUMNS, "-m", "bridge.supervisor.fork_server"],
                    stdin=theirs.fileno(),
                    stdout=subprocess.DEVNULL,
                    env={**os.environ, PARENT: str(os.getpid())},
                    start_new_session=True,
                )
        self._sock.settimeout(LOADS_S)

    @property
    def pid(self) -> int:
        return self._process.pid

    @property
    def there(self) -> bool:
        """Whether it has not ended."""
        return self._process.poll() is None

    def fork(self) -> Forked:
        """A player that waits on its standard input for its start.

        Raises:
            OSError: there is none; the server is of no more use, and is to be closed.
        """
        into, ours_in = os.pipe()
        ours_out, out = os.pipe()
        ours_err, err = os.pipe()
        ours, theirs = (ours_in, ours_out, ours_err), (into, out, err)
        try:
            with adopting_orphans():
                socket.send_fds(self._sock, [ASKED], theirs)
                answer = self._sock.recv(NUMBER_BYTES)
            if not answer.isdigit():
                raise OSError("no player could be forked")
            self._sock.settimeout(ANSWERS_S)
        except OSError:
            for handle in ours:
                os.close(handle)
            raise
        finally:
            for handle in theirs:
                os.close(handle)
        return Forked(int(answer), ours)

    def close(self) -> None:
        """Ends the server, not what it has forked."""
        self._sock.close()
        self._process.kill()
        self._process.wait()


def _fork_server(ours: socket.socket, theirs: socket.socket) -> int:
    """Forks the server from this process; its number."""
    gc.collect()
    gc.freeze()
    parent = os.getpid()
    pid = os.fork()
    if pid:
        return pid
    code = 1
    try:
        os.setsid()
        ours.close()
        null = os.open(os.devnull, os.O_WRONLY)
        _take_place([os.dup(theirs.fileno()), null])
        theirs.close()
        code = serve(parent)
    except BaseException:
        import traceback

        traceback.print_exc()
    finally:  # neither it nor its players go on with what this process was about to do
        os._exit(code)


def main() -> int:
    """The server as a program of its own; the exit code."""
    load_late(*SELDOM)
    parent = os.environ.pop(PARENT, "")
    return serve(int(parent) if parent.isdecimal() else 0)


def serve(parent: int) -> int:
    """Loads everything, then forks whenever it is asked.

    Args:
        parent: the number of the supervisor, 0 where it is not known.

    Returns:
        The exit code of the server, or of a player that it has forked.
    """
    if not die_with_parent(signal.SIGKILL, parent):
        return 1
    from bridge.player import process

    call_itself("fork-server")
    gc.collect()
    gc.freeze()  # what is loaded is not looked at again, so it stays shared
    with socket.socket(fileno=os.dup(0)) as sock:
        while True:
            message, handles, _, _ = socket.recv_fds(sock, len(ASKED), 3)
            if not message:
                return 0
            pid = _fork_away()
            if pid == 0:
                sock.close()
                _take_place(handles)
                call_itself("player")  # its command line is that of the server
                return process.main()
            for handle in handles:
                os.close(handle)
            sock.send(b"%d" % pid if pid else b"-")


def _fork_away() -> int | None:
    """Forks a process whose parent will be that of this one.

    Returns:
        0 in the new process; in this one its number, or None where none could be forked.
    """
    told, tell = os.pipe()
    try:
        between = os.fork()
    except OSError:
        os.close(told)
        os.close(tell)
        return None
    if between == 0:
        between = os.getpid()
        try:
            pid = os.fork()
        except OSError:
            os._exit(1)
        if pid:
            os.write(tell, b"%d" % pid)
            os._exit(0)
        os.close(told)
        os.close(tell)
        os.setsid()
        while os.getppid() == between:  # whoever looks for its parent finds the one that stays
            time.sleep(LOOK_S)
        return 0
    os.close(tell)
    with os.fdopen(told, "rb") as pipe:
        answer = pipe.read()
    os.waitpid(between, 0)
    return int(answer) if answer else None


def _take_place(handles: list[int]) -> None:
    """Handles become the standard ones."""
    for number, handle in enumerate(handles):
        os.dup2(handle, number)
        os.close(handle)


if __name__ == "__main__":
    sys.exit(main())
