"""Starts the player and the service, watches both, and keeps the music and the rack safe.

When the player dies, every output is closed at once over ports that this process holds for the
purpose, and a new player goes on where the old one would be by now, mutes and macros as they
were. When players die of a set that has not sounded for long, the last one that has comes back.
When the service dies, the groove goes on, and the service is started again. A player that
says nothing for too long is ended and counts as dead. Neither is ever given up.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import select
import signal
import subprocess
import sys
import tempfile
import time
from collections import deque
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from bridge.errors import BridgeError
from bridge.files import store
from bridge.files.token import kept_token
from bridge.player.start import Start
from bridge.player.wake import Wake
from bridge.supervisor import begin, lock
from bridge.supervisor.failsafe import Failsafe
from bridge.supervisor.fallback import Fallback, Loaded
from bridge.supervisor.folders import state_folder
from bridge.supervisor.free_ports import try_network_ports
from bridge.supervisor.greeting import greet
from bridge.supervisor.watch import Watch

READY_S = 30.0
CRASHES, WITHIN_S = 3, 60.0
SILENT_NS = 3_000_000_000
"""A player that is well says something twice a second."""
SERVICE_PAUSE_S = (0.2, 5.0)
PLAYER_PAUSE_S = (1.0, 5.0)
STOP_S = 3.0
MEND_S = 2.0


_now = time.monotonic_ns


@dataclass(frozen=True, slots=True)
class Options:
    """What `run` is asked for."""

    rig: Path
    set: Path
    http_port: int = 8420
    osc_port: int = 8421
    lan: bool = False
    start: bool = False
    demo: bool = False


class Supervisor:
    """Two children and what is needed to replace either. `run` returns the exit code."""

    def __init__(self, options: Options, folder: Path) -> None:
        self.options = options
        self.player: subprocess.Popen[bytes] | None = None
        self.service: subprocess.Popen[bytes] | None = None
        self.token = access_token() if options.lan else None
        self._socket = str(folder / "player.sock")
        rig, self._start = begin.from_files(
            options.rig, options.set, self._socket, options.start, state_folder()
        )
        good = begin.last_good(options.set, rig, self._start, state_folder())
        self._fallback = Fallback(_loaded(self._start), good)
        try_network_ports(
            "0.0.0.0" if options.lan else "127.0.0.1", options.http_port, options.osc_port
        )
        self._failsafe = Failsafe(self._start.outputs, self._start.ports)
        self._watch = Watch()
        self._crashes: deque[float] = deque(maxlen=CRASHES)
        self._player_ready = False
        self._player_until = 0.0
        self._player_at: float | None = None
        self._player_pause = 0.0
        self._stopping = False
        self._ready = False
        self._service_at: float | None = None
        self._service_pause = SERVICE_PAUSE_S[0]
        self._service_text = b""
        self._warned: set[str] = set()
        for text in self._start.warnings:
            self._say_once(text)
        self._rig_text = rig.text
        self._looked_ns = _now()
        self._mend_at = 0.0
        self._fds: dict[int, subprocess.Popen[bytes]] = {}
        self._plain: list[subprocess.Popen[bytes]] = []
        self._wake = Wake()

    # --- from start to end ----------------------------------------------------------------------

    def run(self) -> int:
        """Until a signal asks to stop."""
        old = [(name, signal.signal(name, self._stop)) for name in (signal.SIGTERM, signal.SIGINT)]
        old.append((signal.SIGCHLD, signal.signal(signal.SIGCHLD, lambda *_: None)))
        signal.set_wakeup_fd(self._wake.write_fd, warn_on_full_buffer=False)
        try:
            self._start_player()
            self._failsafe.open()
            self._start_service()
            while not self._stopping:
                self._turn()
        finally:
            self._end()
            signal.set_wakeup_fd(-1)
            self._wake.close()
            for name, handler in old:
                signal.signal(name, handler)
        return 0

    def _turn(self) -> None:
        """Waits for the next thing that happens, and sees to it."""
        watch = self._watch.sock
        output = self.service.stdout if self.service is not None else None
        word = self.player.stdout if self.player is not None else None
        sources: list[Any] = [self._wake.fd, *self._fds]
        sources += [source for source in (watch, output, word) if source is not None]
        until = [at for at in (self._service_at, self._player_at) if at is not None]
        pause = min(until, default=time.monotonic() + 0.5) - time.monotonic()
        readable, _, _ = select.select(sources, [], [], min(0.5, max(0.0, pause)))
        self._wake.quiet()
        if watch is not None and watch in readable:
            self._watch.read(_now())
            self._failsafe.heard(self._watch.sent)
            self._watch.sent.clear()
            self._print_warnings()
            self._follow()
        if word is not None and word in readable:
            self._player_speaks()
        for child in self._ended(readable):
            if child is self.player:
                self._player_died()
            elif child is self.service:
                self._service_died()
        if output is not None and output in readable and self.service is not None:
            self._read_service()
        self._look()

    def _guard(self, child: subprocess.Popen[bytes]) -> None:
        """From now on its end is noticed at once."""
        if hasattr(os, "pidfd_open"):
            self._fds[os.pidfd_open(child.pid)] = child
        else:  # there the signal of its end wakes us
            self._plain.append(child)

    def _ended(self, readable: list[Any]) -> list[subprocess.Popen[bytes]]:
        """The children that have ended."""
        ended = []
        for fd in [fd for fd in self._fds if fd in readable]:
            ended.append(self._fds.pop(fd))
            os.close(fd)
        ended += [child for child in self._plain if child.poll() is not None]
        self._plain = [child for child in self._plain if child not in ended]
        return ended

    def _look(self) -> None:
        """What is done now and then: a silent player, a service to start, ports to mend."""
        now = _now()
        # After a pause of our own (a suspended computer) the player's silence says nothing.
        if now - self._looked_ns > SILENT_NS // 2:
            self._watch.heard_ns = now
        self._looked_ns = now
        clock = time.monotonic()
        if self.player is not None and not self._player_ready and clock > self._player_until:
            say(f"the player was not ready after {READY_S:g} s")
            self._player_until = clock + READY_S
            self.player.kill()
        if self._player_ready and now - self._watch.heard_ns > SILENT_NS:
            say("the player does not answer; starting it again")
            self._watch.heard_ns = now
            if self.player is not None:
                self.player.kill()
        if self._watch.sock is None and self._player_ready and not self._stopping:
            with contextlib.suppress(OSError):
                self._watch.connect(self._socket, now)
        if self._player_at is not None and clock >= self._player_at:
            self._player_at = None
            self._start_player()
        if self._service_at is not None and clock >= self._service_at:
            self._service_at = None
            self._start_service()
        if clock >= self._mend_at:
            self._mend_at = clock + MEND_S
            self._failsafe.mend()

    def _end(self) -> None:
        """Stops both, the player first: gates close before anything else."""
        for child in (self.player, self.service):
            if child is not None and child.poll() is None:
                child.terminate()
        player_ended = self._wait_for(self.player)
        self._wait_for(self.service)
        if self.player is not None and (not player_ended or self.player.returncode != 0):
            self._failsafe.close_all()
            time.sleep(0.05)
        self._failsafe.stop()
        self._watch.close()
        for fd in self._fds:
            os.close(fd)
        self._fds.clear()

    @staticmethod
    def _wait_for(child: subprocess.Popen[bytes] | None) -> bool:
        if child is None:
            return True
        try:
            child.wait(STOP_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()
            return False
        finally:
            if child.stdout is not None:
                child.stdout.close()
        return True

    def _stop(self, *_: object) -> None:
        self._stopping = True

    # --- the player -----------------------------------------------------------------------------

    def _start_player(self) -> None:
        """It says when it is ready."""
        self._player_ready = False
        self._player_until = time.monotonic() + READY_S
        self.player = subprocess.Popen(
            [sys.executable, "-m", "bridge.player.process"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            start_new_session=True,
        )
        child = self.player
        assert child.stdin is not None
        assert child.stdout is not None
        with contextlib.suppress(BrokenPipeError):
            pickle.dump(self._start, child.stdin, pickle.HIGHEST_PROTOCOL)
            child.stdin.close()
        self._guard(child)

    def _player_speaks(self) -> None:
        """``ready``, or nothing because it ends."""
        child = self.player
        assert child is not None
        assert child.stdout is not None
        ready = child.stdout.readline() == b"ready\n"
        child.stdout.close()
        child.stdout = None
        if ready:
            self._player_ready = True
            start = self._start
            if start.restarts == 0:
                self._keep_good(str(self.options.rig), self._rig_text)
            if not store.good_copy(Path(start.file), state_folder()).exists():
                self._keep_good(start.file, start.text)
            self._watch.heard_ns = _now()
            with contextlib.suppress(OSError):
                self._watch.connect(self._socket, _now())

    def _follow(self) -> None:
        """What the player plays by now, and whether that has sounded for long enough to be good."""
        watch = self._watch
        if watch.revision is not None:
            self._fallback.takes(Loaded(watch.score, watch.revision, watch.text, watch.file))
        sounding = watch.state.get("transport", {}).get("state") in ("running", "lost")
        if self._fallback.heard(_now(), sounding):
            good = self._fallback.present
            self._keep_good(good.file, good.text)

    def _keep_good(self, file: str, text: str) -> None:
        problem = begin.keep_good(file, text, state_folder())
        if problem:
            self._say_once(problem)

    def _player_died(self) -> None:
        self._failsafe.close_all()
        assert self.player is not None
        code, was_ready = self.player.wait(), self._player_ready
        if self.player.stdout is not None:
            self.player.stdout.close()
        self.player, self._player_ready = None, False
        self._watch.read(_now())
        self._follow()
        self._watch.close()
        if self._stopping:
            return
        now = time.monotonic()
        self._crashes.append(now)
        often = len(self._crashes) == CRASHES and now - self._crashes[0] < WITHIN_S
        say(f"the player ended ({_cause(code)}); outputs are closed, starting it again")
        if often:
            say(f"that was {CRASHES} times within {WITHIN_S:g} s: derived lanes stay muted")
        fell_back = self._fallback.died()
        present = self._fallback.present
        if fell_back:
            text = "the set ended the player twice; the last one that played well is back"
            say(text)
            self._watch.score, self._watch.revision = present.score, present.revision
            self._watch.text, self._watch.file = present.text, present.file
        memory, revision = self._watch.memory, present.revision
        fits = memory is not None and memory["revision"] == revision
        self._start = replace(
            self._start,
            memory=memory["memory"] if fits and memory is not None else None,
            snapshot=self._watch.state or None,
            score=present.score,
            text=present.text,
            file=present.file,
            set=present.score.spec.name,
            revision=revision,
            restarts=self._start.restarts + 1,
            safe=often and not fell_back,
            warnings=(text,) if fell_back else (),
        )
        # At once the first time; a player that does not even come up is tried less and less often.
        low, high = PLAYER_PAUSE_S
        self._player_pause = 0.0 if was_ready else min(max(low, 2 * self._player_pause), high)
        self._player_at = now + self._player_pause

    def _print_warnings(self) -> None:
        for text in self._watch.state.get("warnings", ()):
            self._say_once(text)

    def _say_once(self, text: str) -> None:
        if text not in self._warned:
            self._warned.add(text)
            say(text)

    # --- the service ----------------------------------------------------------------------------

    def _start_service(self) -> None:
        options = self.options
        arguments = [
            sys.executable,
            "-m",
            "bridge.supervisor.child",
            "bridge.service",
            "--rig",
            str(options.rig),
            "--set",
            str(options.set),
            "--socket",
            self._socket,
            "--port",
            str(options.http_port),
            "--osc-port",
            str(options.osc_port),
            "--state-dir",
            str(state_folder()),
        ]
        environment = dict(os.environ)
        if self.token is not None:
            arguments.append("--lan")
            environment["LANEBRIDGE_TOKEN"] = self.token
        self.service = subprocess.Popen(
            arguments,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            env=environment,
            start_new_session=True,
        )
        assert self.service.stdout is not None
        os.set_blocking(self.service.stdout.fileno(), False)
        self._service_text = b""
        self._guard(self.service)

    def _read_service(self) -> None:
        assert self.service is not None
        assert self.service.stdout is not None
        data = self.service.stdout.read(4096)
        if not data:  # its end is noticed by itself
            self.service.stdout.close()
            self.service.stdout = None
            return
        *lines, self._service_text = (self._service_text + data).split(b"\n")
        for line in lines:
            text = line.decode(errors="replace")
            if text.startswith("ready "):
                self._service_pause = SERVICE_PAUSE_S[0]
                if not self._ready:
                    self._ready = True
                    _, address, *code = text.split(" ")
                    greet(address, self._start, self.token, *code)
            else:
                print(text, flush=True)

    def _service_died(self) -> None:
        assert self.service is not None
        if self.service.stdout is not None:
            self._read_service()
        code = self.service.wait()
        if self.service is not None and self.service.stdout is not None:
            self.service.stdout.close()
        self.service = None
        if self._stopping:
            return
        say(f"the service ended ({_cause(code)}); playing goes on, starting it again")
        self._service_at = time.monotonic() + self._service_pause
        self._service_pause = min(self._service_pause * 2, SERVICE_PAUSE_S[1])


# --- what people see ----------------------------------------------------------------------------


def say(text: str) -> None:
    """One line for whoever looks at the terminal or the journal."""
    print(f"lanebridge: {text}", file=sys.stderr, flush=True)


def access_token() -> str:
    """The token that the network needs, the same at every start; what is odd about it is said."""
    token, note = kept_token(state_folder())
    if note:
        say(note)
    return token


def _loaded(start: Start) -> Loaded:
    return Loaded(start.score, start.revision, start.text, start.file)


def _cause(code: int) -> str:
    if code >= 0:
        return f"code {code}"
    try:
        return signal.Signals(-code).name
    except ValueError:
        return f"signal {-code}"


def run(
    rig_path: Path,
    set_path: Path,
    *,
    http_port: int = 8420,
    osc_port: int = 8421,
    lan: bool = False,
    start: bool = False,
    demo: bool = False,
) -> int:
    """Plays a set on a rig until SIGTERM or Ctrl-C; returns the exit code (0, or 1 when the files
    are wrong or a network port is taken: said in a line or more on standard error)."""
    options = Options(Path(rig_path), Path(set_path), http_port, osc_port, lan, start, demo)
    # Private to this user (0700), and gone afterwards.
    with tempfile.TemporaryDirectory(
        prefix="lanebridge-", dir=os.environ.get("XDG_RUNTIME_DIR") or None
    ) as folder:
        handle = None
        try:
            handle = lock.take(state_folder())
            return Supervisor(options, Path(folder)).run()
        except BridgeError as error:
            print(error, file=sys.stderr)
            return 1
        finally:
            if handle is not None:
                os.close(handle)
