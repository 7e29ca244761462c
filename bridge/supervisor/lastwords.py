"""Closes every output when nothing of the program is left: quickly, from bytes kept in a file.

``python -m bridge.supervisor.lastwords RIG`` is for a service manager, after an end of any kind.
It reads no rig and imports next to nothing: each port and the bytes that close what hangs on it
were written down when the program started (`failsafe.keep`). Where that file is missing, the rig is
read after all. After an end in good order (systemd.exec(5): ``SERVICE_RESULT`` is ``success``)
closing is said once, else again and again for a second (`bridge.player.closing`).
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

from bridge.errors import PortError
from bridge.player.closing import OFTEN_NS, Closing, Said, wait_for_dead_clients
from bridge.ports import OutPort, open_output
from bridge.ports.jack_unblock import unblocked
from bridge.supervisor.folders import CLOSING, state_folder

MOST_BYTES = 4 << 20
DRAIN_S = 0.06

Row = tuple[str, list[bytes], list[bytes]]


def read(path: Path) -> list[Row]:
    """Ports by the text they are found by, what closes their gates, and what closes everything.
    Raises OSError or ValueError."""
    with path.open("rb") as file:
        rows = json.loads(file.read(MOST_BYTES))
    try:
        return [
            (str(text), [*map(bytes.fromhex, gates)], [*map(bytes.fromhex, all_)])
            for text, gates, all_ in rows
        ]
    except TypeError as error:
        raise ValueError(f"{path} is not as we write it") from error


def close(rows: list[Row], for_ns: int) -> int:
    """Sends everything at once, and again for so long; returns how many ports were there."""
    ports: dict[str, OutPort] = {}
    wait_for_dead_clients()
    _open(rows, ports, unblocked if for_ns else contextlib.nullcontext)
    # Counted from here: a JACK server may take a while to let a client in.
    begun = time.monotonic_ns()
    closing = Closing(begun)
    while closing.next_ns <= begun + for_ns:
        time.sleep(max(0, closing.next_ns - time.monotonic_ns()) / 1e9)
        said = closing.due(time.monotonic_ns())
        for text, gates, all_ in rows:
            if text in ports:
                _send(ports[text], all_ if said is Said.ALL else gates)
        if said is Said.ALL:
            _open(rows, ports)
    time.sleep(DRAIN_S)
    for port in ports.values():
        port.close()
    return len(ports)


def _open(
    rows: list[Row],
    ports: dict[str, OutPort],
    around: Callable[[], AbstractContextManager[None]] = contextlib.nullcontext,
) -> None:
    """Opens what is there and not open yet, and sends there at once what closes everything.
    `around` each opening something else may be done."""
    for text, _, all_ in rows:
        if text not in ports:
            with contextlib.suppress(PortError):
                with around():
                    ports[text] = open_output(text, "last-words")
                _send(ports[text], all_)


def _send(port: OutPort, messages: list[bytes]) -> None:
    for data in messages:
        port.send(data)


def main(arguments: list[str]) -> int:
    """0 when every port was reached or none is known, 1 when one was away."""
    well = os.environ.get("SERVICE_RESULT") == "success"
    try:
        rows = read(state_folder() / CLOSING)
    except (OSError, ValueError):
        from bridge.supervisor import failsafe

        return failsafe.main(arguments)
    return 0 if close(rows, 0 if well else OFTEN_NS) == len(rows) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
