"""What comes in over MIDI, sorted: the clock that is followed, other clocks, everything else."""

from __future__ import annotations

from dataclasses import dataclass, field

ECHO_MOST = 200
"""Identical messages in a second. A clock at 400 bpm sends 160; more is our own output coming back,
or a fault (the limit is our choice)."""
KEPT_MOST = 1024
CLOCK_BYTE = 0xF8
_SECOND = 1_000_000_000


@dataclass(slots=True)
class _Run:
    data: bytes = b""
    since: int = 0
    count: int = 0


@dataclass(slots=True)
class Incoming:
    """`others` counts clocks of sources that are not followed; `cut` names inputs that echo;
    `rows` are [ns, input, hex] of channel messages for whoever reads and clears them."""

    others: dict[str, int] = field(default_factory=dict)
    cut: set[str] = field(default_factory=set)
    rows: list[list[object]] = field(default_factory=list)
    _runs: dict[str, _Run] = field(default_factory=dict)

    def take(self, port: str, stamp: int, data: bytes, source: str) -> tuple[bool, str]:
        """Sorts one message. True when it is a system message of the followed source; the text is
        a warning, or ""."""
        if not data or port in self.cut:
            return False, ""
        if self._echoes(port, stamp, data):
            self.cut.add(port)
            return False, f"{port}: the same message over {ECHO_MOST} times a second; cut off"
        if data[0] < 0xF0:
            self.rows.append([stamp, port, data.hex()])
            del self.rows[:-KEPT_MOST]
            return False, ""
        if port == source:
            return True, ""
        if data[0] == CLOCK_BYTE:
            self.others[port] = self.others.get(port, 0) + 1
        return False, ""

    def _echoes(self, port: str, stamp: int, data: bytes) -> bool:
        run = self._runs.setdefault(port, _Run())
        if data != run.data or stamp - run.since > _SECOND:
            run.data, run.since, run.count = data, stamp, 0
        run.count += 1
        return run.count > ECHO_MOST
