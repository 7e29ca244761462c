"""What comes in over MIDI, sorted: the clock that is followed, other clocks, everything else."""

from __future__ import annotations

from collections.abc import Mapping

from bridge.clock.source import ECHO_MOST, INTERNAL, Sources

KEPT_MOST = 1024


class Incoming:
    """`rows` are [ns, input, hex] of channel messages for whoever reads and clears them; they are
    bounded. Which clock counts, and what is cut off, is decided in `clock.source`."""

    def __init__(self) -> None:
        self.rows: list[list[object]] = []
        self._sources = Sources(INTERNAL)

    @property
    def others(self) -> Mapping[str, int]:
        """Clocks heard from inputs that are not followed, by input."""
        return self._sources.others

    @property
    def cut(self) -> frozenset[str]:
        """Inputs that were cut off because they repeat themselves without end."""
        return self._sources.cut

    def take(self, port: str, stamp: int, data: bytes, source: str) -> tuple[bool, str]:
        """Sorts one message. True when it is a system message of the followed `source`; the text
        is a warning, or ""."""
        if source != self._sources.choice:
            self._sources.choose(source)
        if not data:
            return False, ""
        heard = self._sources.hear(port, stamp, data)
        if heard == "now-cut":
            return False, f"{port}: the same message over {ECHO_MOST} times a second; cut off"
        if heard == "not-clock" and data[0] < 0xF0:
            self.rows.append([stamp, port, data.hex()])
            del self.rows[:-KEPT_MOST]
        return heard == "ours", ""
