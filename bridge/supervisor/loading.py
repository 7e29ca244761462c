"""Reads the rig and the set, and what the run before has left, in a process that ends afterwards.

To read them takes what nothing else of the supervisor needs (measured: 15 MB), so it asks another
process: ``python -m bridge.supervisor.loading``, a pickled `Request` on standard input, and on
standard output a pickled `Prepared`, or a `Refusal` that says what is wrong.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from bridge.errors import BridgeError, Exit, MachineError
from bridge.protocol.ports import HTTP_PORT, OSC_PORT
from bridge.supervisor import voice
from bridge.supervisor.prepared import Prepared


@dataclass(frozen=True, slots=True)
class Options:
    """What `supervise.run` is asked for: the files, the network ports and whether to listen beyond
    this computer, whether to `start` by itself, to begin anew (`fresh`), and how it logs."""

    rig: Path
    set: Path
    http_port: int = HTTP_PORT
    osc_port: int = OSC_PORT
    lan: bool = False
    start: bool = False
    fresh: bool = False
    log_json: bool = False
    least: voice.Level = "info"

    @property
    def host(self) -> str:
        """Where it can be reached."""
        return "0.0.0.0" if self.lan else "127.0.0.1"


@dataclass(frozen=True, slots=True)
class Request:
    """What is to be loaded: `socket` will be the player's, `run` is the name of this run."""

    options: Options
    socket: str
    state: Path
    run: str


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why nothing can be played, for people, and what the program exits with."""

    text: str
    exit: Exit


def answer(child: subprocess.Popen[bytes], request: Request) -> Prepared:
    """What the process has found. It has ended then; where the wait breaks off, it is killed.

    Args:
        child: this module as a program, with pipes to its standard input and output.
        request: what it is to load.

    Raises:
        BridgeError: nothing can be played; the process says why.
        MachineError: so for what the machine lacks, or the process ended without a word.
    """
    try:
        out, _ = child.communicate(pickle.dumps(request, pickle.HIGHEST_PROTOCOL))
    except BaseException:
        child.kill()
        child.communicate()
        raise
    found = pickle.loads(out) if out else None
    if isinstance(found, Refusal):
        refused = MachineError if found.exit == Exit.MACHINE else BridgeError
        raise refused(found.text)
    if not isinstance(found, Prepared):
        raise MachineError(f"rig and set cannot be loaded: the process ended ({child.returncode})")
    return found


def prepare(request: Request) -> Prepared:
    """Everything that a start needs from files. Raises BridgeError."""
    from bridge.files import store
    from bridge.files.take_rig import texts_of
    from bridge.supervisor import begin, comeback, failsafe
    from bridge.supervisor.free_ports import try_network_ports
    from bridge.supervisor.moment import Moments

    options, state = request.options, request.state
    rig, start = begin.from_files(options.rig, options.set, request.socket, options.start, state)
    try_network_ports(options.host, options.http_port, options.osc_port)
    store.sweep(state)
    good = begin.last_good(options.set, rig, start, state)
    moments = Moments(state, options.rig, options.set, request.run)
    start = comeback.bring_back(rig, start, moments, fresh=options.fresh)
    return Prepared(
        start=pickle.dumps(start, pickle.HIGHEST_PROTOCOL),
        rig=start.rig,
        set=start.set,
        text=start.text,
        file=start.file,
        version=start.version,
        meter=start.score.spec.meter,
        revision=start.revision,
        play=start.play,
        snapshot=start.snapshot,
        warnings=start.warnings,
        safeties=failsafe.safeties(start.outputs, start.ports),
        good=good,
        rig_text=rig.text,
        rig_texts=texts_of(rig),
    )


def main() -> int:
    """Loads what it takes, then waits for what is asked."""
    from bridge.supervisor import begin, comeback  # noqa: F401

    try:
        request = pickle.load(sys.stdin.buffer)
    except EOFError:
        return 1  # whoever starts us has gone
    found: Prepared | Refusal
    try:
        found = prepare(request)
    except BridgeError as error:
        found = Refusal(str(error), error.exit)
    sys.stdout.buffer.write(pickle.dumps(found, pickle.HIGHEST_PROTOCOL))
    sys.stdout.buffer.flush()
    return 0


if __name__ == "__main__":
    # By its name: what it pickles as a class of ``__main__``, nobody else could read.
    from bridge.supervisor import loading

    os._exit(loading.main())  # somebody waits, and what is loaded need not be taken down
