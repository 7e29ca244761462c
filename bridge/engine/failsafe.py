"""Closes every output when the player cannot: from another process, over ports of its own."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from bridge.engine.start import PortSpec
from bridge.errors import PortError
from bridge.ports import OutPort, open_output
from bridge.voltage.encode import Encoder
from bridge.voltage.profile import WiredOutput
from bridge.voltage.voice import RELEASE


class Failsafe:
    """Knows the outputs of a rig, holds ports to them, and follows which notes sound.

    A virtual port belongs to the process that offers it, so nothing can be sent there for it; what
    is connected to it loses its connection when that process dies.
    """

    def __init__(
        self, outputs: Mapping[str, WiredOutput], specs: Mapping[str, PortSpec]
    ) -> None:
        self._specs = {n: s for n, s in specs.items() if not s.text.startswith("virtual:")}
        self._outputs = outputs
        self._ports: dict[str, OutPort] = {}
        self._sounding: dict[str, set[tuple[int, int]]] = {name: set() for name in self._specs}

    def open(self) -> None:
        """Opens what is not open yet, so that no time is lost when it counts."""
        for name, spec in self._specs.items():
            if name not in self._ports:
                try:
                    self._ports[name] = open_output(spec.text, f"{name}-safety")
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
            self._sounding[name].clear()
            mine = {key: wired for key, wired in self._outputs.items() if wired.port == name}
            for message in Encoder(mine).panic():
                port.send(message.data)

    def stop(self) -> None:
        for port in self._ports.values():
            port.close()
        self._ports.clear()
