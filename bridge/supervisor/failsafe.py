"""Closes every output when the player cannot: from another process, over ports of its own.

A client that dies may stall a MIDI system for some tenths of a second, and what is sent meanwhile
is lost (measured with a JACK server: 70 to 430 ms). So closing is said again and again: every
100 ms for a second, then once a second, until a new player has set its outputs up.

``python -m bridge.supervisor.failsafe RIG`` does it for whoever finds that nothing of the program
is left to do it (a service manager after a kill), where `bridge.supervisor.lastwords` cannot.
"""

from __future__ import annotations

import contextlib
import json
import sys
import time
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from bridge.errors import InputError, PortError
from bridge.files import store
from bridge.ports import OutPort, open_output
from bridge.supervisor.folders import CLOSING
from bridge.voltage.message import RELEASE

if TYPE_CHECKING:
    from bridge.player.start import PortSpec
    from bridge.voltage.profile import WiredOutput

DRAIN_S = 0.06
"""Some systems lose what was sent just before a port is closed."""
AGAIN_NS, OFTEN_NS, LATER_NS = 100_000_000, 1_000_000_000, 1_000_000_000
"""Closing is repeated this often, for so long, and then more slowly."""


class Safety(NamedTuple):
    """A port by the text it is found by, and what closes the outputs on it: first gates, then
    controllers 123 and 120, bend centred, values at rest."""

    text: str
    closing: Sequence[bytes]


class Failsafe:
    """Knows what closes the outputs of a rig, holds ports to them, and follows which notes sound.

    A virtual port belongs to the process that offers it, so nothing can be sent there for it; what
    is connected to it loses its connection when that process dies.
    """

    def __init__(self, safeties: Mapping[str, Safety]) -> None:
        self._safeties = safeties
        self._ports: dict[str, OutPort] = {}
        self._sounding: dict[str, set[tuple[int, int]]] = {name: set() for name in safeties}
        self._often_until = 0
        self.again_ns: int | None = None
        """When closing is to be said again (`turn`), or None."""

    def open(self) -> None:
        """Opens what is not open yet, so that no time is lost when it counts."""
        for name, safety in self._safeties.items():
            if name not in self._ports:
                try:
                    self._ports[name] = open_output(safety.text, f"{name}-safety")
                except PortError:
                    continue  # not there now; looked for again each time

    def mend(self) -> None:
        """Ports that were unplugged and are back are opened anew."""
        for port in self._ports.values():
            if not port.alive():
                port.reopen()
        self.open()

    def heard(self, sent: Iterable[list[Any]]) -> None:
        """What the player says it has sent: rows of (ns, port, hex)."""
        for _, port, text in sent:
            status = int(text[:2], 16)
            if port not in self._sounding or not 0x80 <= status < 0xA0:
                continue
            key = (status & 0x0F, int(text[2:4], 16))
            if status >= 0x90 and text[4:6] != "00":
                self._sounding[port].add(key)
            else:
                self._sounding[port].discard(key)

    def close_all(self) -> None:
        """Note-offs for what sounds and for every gate there is, then controllers 123 and 120,
        bend centred, values at rest."""
        self.open()
        for name, port in self._ports.items():
            for channel, note in sorted(self._sounding[name]):
                port.send(bytes((0x80 | channel, note, RELEASE)))
            for data in self._safeties[name].closing:
                port.send(data)

    def begin(self, now: int) -> None:
        """Closes everything, and will again (`again_ns`) until `rest`."""
        self._often_until, self.again_ns = now + OFTEN_NS, now + AGAIN_NS
        self.close_all()

    def turn(self, now: int) -> None:
        """Says it again when it is time."""
        if self.again_ns is not None and now >= self.again_ns:
            self.again_ns = now + (AGAIN_NS if now < self._often_until else LATER_NS)
            self.close_all()

    def rest(self) -> None:
        """A player answers for the outputs again."""
        self.again_ns = None
        for sounding in self._sounding.values():
            sounding.clear()

    def stop(self) -> None:
        for port in self._ports.values():
            port.close()
        self._ports.clear()


def safeties(
    outputs: Mapping[str, WiredOutput], specs: Mapping[str, PortSpec]
) -> dict[str, Safety]:
    """What closes and puts at rest the outputs on each port."""
    from bridge.voltage.encode import Encoder

    found = {}
    for name, spec in specs.items():
        if not spec.text.startswith("virtual:"):
            mine = {full: wired for full, wired in outputs.items() if wired.port == name}
            found[name] = Safety(spec.text, [message.data for message in Encoder(mine).panic()])
    return found


def keep(safeties: Mapping[str, Safety], state: Path) -> tuple[str, ...]:
    """Writes down what closes every output, for `lastwords`; why it cannot be done, or nothing."""
    texts: dict[str, list[str]] = {}
    for safety in safeties.values():
        texts.setdefault(safety.text, []).extend(data.hex() for data in safety.closing)
    path = state / CLOSING
    raw = json.dumps(list(texts.items())).encode()
    try:
        with contextlib.suppress(FileNotFoundError):
            if path.read_bytes() == raw:
                return ()
        store.write_atomic(path, raw)
    except OSError as error:
        return (f"the closing messages cannot be saved in {path}: {error.strerror or error}",)
    return ()


def main(arguments: list[str]) -> int:
    """Closes every output of a rig; 0, or 1 when the rig cannot be read."""
    from bridge.files.rig import load_rig
    from bridge.player.start import port_specs
    from bridge.supervisor.folders import state_folder

    if len(arguments) != 1:
        print("usage: python -m bridge.supervisor.failsafe RIG", file=sys.stderr)
        return 2
    path = Path(arguments[0])
    try:
        # What was played may have been the last good copy of a rig that does not load.
        rig, _ = store.load_or_last_good(
            path, lambda file: load_rig(file, place=path), state_folder()
        )
    except InputError as problem:
        print(problem, file=sys.stderr)
        return 1
    safe = Failsafe(safeties(rig.wired, port_specs(rig.interfaces)))
    safe.close_all()
    time.sleep(DRAIN_S)
    safe.stop()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
