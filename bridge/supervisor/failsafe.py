"""Closes every output when the player cannot: from another process, over ports of its own.

Closing is said again and again (`bridge.player.closing`) until a new player has set its outputs up.

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
from bridge.player.closing import Closing, Said, wait_for_dead_clients
from bridge.ports import OutPort, left_behind, open_output
from bridge.ports.jack_unblock import unblocked
from bridge.supervisor.folders import CLOSING
from bridge.voltage.message import RELEASE, is_note

if TYPE_CHECKING:
    from bridge.player.start import PortSpec
    from bridge.voltage.profile import WiredOutput

DRAIN_S = 0.06
"""Some systems lose what was sent just before a port is closed."""


class Safety(NamedTuple):
    """A port by the text it is found by, what closes its gates, and what closes all outputs on it:
    first gates, then controllers 123 and 120, bend centred, values at rest."""

    text: str
    gates: Sequence[bytes]
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
        self._closing: Closing | None = None

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
            if port not in self._sounding or not is_note(status):
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
        self._send(Said.ALL)

    def _send(self, said: Said) -> None:
        for name, port in self._ports.items():
            safety = self._safeties[name]
            for channel, note in sorted(self._sounding[name]):
                port.send(bytes((0x80 | channel, note, RELEASE)))
            for data in safety.closing if said is Said.ALL else safety.gates:
                port.send(data)

    @property
    def again_ns(self) -> int | None:
        """When closing is to be said again (`look`), or None."""
        return None if self._closing is None else self._closing.next_ns

    def begin(self, now: int) -> None:
        """Closes everything, and will again (`again_ns`) until `rest`."""
        self._closing = Closing(now)
        self.close_all()

    def look(self, now: int) -> None:
        """Says it again when it is time."""
        said = Said.NOTHING if self._closing is None else self._closing.due(now)
        if said is Said.ALL:
            self.open()
        if said is not Said.NOTHING:
            self._send(said)

    def left_behind(self) -> bool:
        """Whether the MIDI system still holds ports of the player that has died."""
        return left_behind(self._safeties.keys())

    def rest(self) -> None:
        """A player answers for the outputs again."""
        self._closing = None
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
            gates, all_ = Encoder(mine).close_gates(), Encoder(mine).panic()
            found[name] = Safety(spec.text, *([m.data for m in part] for part in (gates, all_)))
    return found


def keep(safeties: Mapping[str, Safety], state: Path) -> tuple[str, ...]:
    """Writes down what closes every output, for `lastwords`; why it cannot be done, or nothing."""
    texts: dict[str, tuple[list[str], list[str]]] = {}
    for safety in safeties.values():
        gates, closing = texts.setdefault(safety.text, ([], []))
        gates += [data.hex() for data in safety.gates]
        closing += [data.hex() for data in safety.closing]
    path = state / CLOSING
    raw = json.dumps([[text, *parts] for text, parts in texts.items()]).encode()
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
    wait_for_dead_clients()
    safe = Failsafe(safeties(rig.wired, port_specs(rig.interfaces)))
    with unblocked():
        safe.close_all()
    time.sleep(DRAIN_S)
    safe.stop()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
