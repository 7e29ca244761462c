"""A JACK server with the dummy driver, and the small programs around it, for tests/real."""

from __future__ import annotations

import contextlib
import os
import signal
import struct
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from support.patience import PATIENCE_S

SUPPORT = Path(__file__).parent
REGISTRY = Path("/dev/shm/jack-shm-registry")
TRIES = 3
# One interface at a receiver, led by a ClockSource.
FOLLOWING_RIG = """\
rig: Test quay
interfaces:
  main:
    profile: eight-gates-four-cv
    port: "wire:in"
clock:
  follow: pulse
"""


def wait_for(done: object, seconds: float, what: str) -> None:
    """Polls `done()` until it is true; TimeoutError naming `what` after `seconds`."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if done():  # type: ignore[operator]
            return
        time.sleep(0.02)
    raise TimeoutError(f"waited {seconds} s for {what}")


@contextlib.contextmanager
def server(name: str, folder: Path, period: int = 64) -> Iterator[dict[str, str]]:
    """Runs ``jackd`` at 48 kHz; gives the environment that its clients need."""
    env = os.environ | {"JACK_DEFAULT_SERVER": name, "JACK_NO_START_SERVER": "1"}
    command = [
        "jackd",
        "-n",
        name,
        "-R",
        "-P",
        "70",
        "-d",
        "dummy",
        "-r",
        "48000",
        "-p",
        str(period),
    ]
    with open(folder / "jackd.log", "wb") as log:
        process = subprocess.Popen(command, stdout=log, stderr=log, env=env)
    try:
        wait_for(lambda: ports(env) is not None, PATIENCE_S, "the JACK server")
        yield env
    finally:
        process.terminate()
        process.wait(PATIENCE_S)
        free_place(name, process.pid)


def free_place(name: str, pid: int) -> None:
    """Frees the place of a server that has ended. On a busy machine some end without doing so, and
    once all eight places of the registry are taken, no server starts any more."""
    with contextlib.suppress(FileNotFoundError), open(REGISTRY, "r+b") as registry:
        # An entry is the server's pid, then jack-UID:NAME: (jack2, common/shm.c).
        entry = struct.pack("=i", pid) + f"jack-{os.getuid()}:{name}:".encode()
        at = registry.read().find(entry)
        if at >= 0:
            registry.seek(at)
            registry.write(struct.pack("=i", 0))


def ports(env: dict[str, str]) -> list[str] | None:
    """Names of all JACK ports, or None while there is no server."""
    run = subprocess.run(["jack_lsp"], env=env, capture_output=True, text=True, check=False)
    return run.stdout.split() if run.returncode == 0 else None


def connect(env: dict[str, str], source: str, sink: str) -> None:
    subprocess.run(["jack_connect", source, sink], env=env, check=True, capture_output=True)


def ready(command: Sequence[str], env: Mapping[str, str]) -> subprocess.Popen[str]:
    """A program that says ``ready``. A server that has only just come up, beside others that come
    up too, may refuse its first client: then it is tried again."""
    for _ in range(TRIES):
        process = subprocess.Popen(
            command, env=env, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert process.stdout is not None
        if process.stdout.readline().startswith("ready"):
            return process
        process.communicate()
    raise AssertionError(f"{command} is not ready")


@contextlib.contextmanager
def peer(env: dict[str, str], script: str, *words: str) -> Iterator[subprocess.Popen[str]]:
    """A program of this folder that says ``ready``, and ends with its standard input."""
    path = os.pathsep.join([str(SUPPORT.parent), *sys.path])
    process = ready([sys.executable, str(SUPPORT / script), *words], env | {"PYTHONPATH": path})
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        yield process
    finally:
        with contextlib.suppress(BrokenPipeError):
            process.stdin.close()
        process.wait(PATIENCE_S)
        process.stdout.close()


@contextlib.contextmanager
def receiver(env: dict[str, str], out: Path, *labels: str) -> Iterator[subprocess.Popen[str]]:
    """``jack_receiver.py`` as client ``wire``; `out` is complete after the block."""
    command = [sys.executable, str(SUPPORT / "jack_receiver.py"), "wire", str(out), *labels]
    process = ready(command, env)
    try:
        yield process
    finally:
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=PATIENCE_S)


class ClockSource:
    """``jack_clock.py`` as client `name`."""

    def __init__(
        self, env: dict[str, str], bpm: float, name: str = "pulse", at: str = "frame"
    ) -> None:
        command = [sys.executable, str(SUPPORT / "jack_clock.py"), name, str(bpm), at]
        self.process = ready(command, env)

    def tell(self, line: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def close(self) -> None:
        with contextlib.suppress(BrokenPipeError):
            self.tell("quit")
        self.process.wait(PATIENCE_S)
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                pipe.close()


def read_capture(path: Path) -> list[tuple[str, int, bytes]]:
    """Rows ``(port label, frame, bytes)`` of a receiver's file, in frame order."""
    return [(label, frame, data) for label, frame, _, data in read_stamped(path)]


def read_stamped(path: Path) -> list[tuple[str, int, int, bytes]]:
    """The same with the receiver's own monotonic ns: ``(port label, frame, ns, bytes)``."""
    rows = []
    for line in path.read_text(encoding="ascii").splitlines():
        label, frame, ns, data = line.split()
        if label != "!":
            rows.append((label, int(frame), int(ns), bytes.fromhex(data)))
    return sorted(rows, key=lambda row: row[1])


def read_gaps(path: Path) -> list[tuple[int, int]]:
    """Spans of frames ``(begin, end)`` that the receiver was left out of."""
    gaps = []
    for line in path.read_text(encoding="ascii").splitlines():
        label, frame, _, length = line.split()
        if label == "!":
            gaps.append((int(frame), int(frame) + int(length)))
    return gaps
