"""A port that is not there yet: the song goes on without it, and it is looked for."""

from __future__ import annotations

from bridge.errors import PortError
from bridge.player.start import PortSpec
from bridge.ports import OutPort, open_output


class Missing:
    """Stands for a port that is not there yet; `reopen` looks for it."""

    def __init__(self, label: str, spec: PortSpec) -> None:
        self.name = spec.text
        self._label = label
        self._port: OutPort | None = None

    @property
    def found(self) -> bool:
        """Whether it was there since."""
        return self._port is not None

    def send(self, data: bytes) -> None:
        if self._port is not None:
            self._port.send(data)

    def close(self) -> None:
        if self._port is not None:
            self._port.close()

    def alive(self) -> bool:
        return self._port is not None and self._port.alive()

    def reopen(self) -> bool:
        if self._port is not None:
            return self._port.reopen()
        try:
            self._port = open_output(self.name, self._label)
        except PortError:
            return False
        self.name = self._port.name
        return True
