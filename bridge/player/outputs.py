"""From what should happen to bytes on ports: encoding, order, thinning, and a count of lateness."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from itertools import repeat
from typing import Any

from bridge.errors import CommandError
from bridge.player.lateness import Lateness
from bridge.player.start import PortSpec
from bridge.player.tape import Tape
from bridge.ports.port import OutPort
from bridge.voltage.calibration import Correction
from bridge.voltage.encode import CLOCK, Encoder, Message
from bridge.voltage.profile import WiredOutput
from bridge.voltage.wire import Link, Thinner

LOG_MOST = 2048
GRACE_NS = 5_000_000
"""A value that comes sooner after the last one than its output may move waits so much longer for
one that is newer, before the player wakes for it alone."""
GLIDE_GRACE_NS = 9_000_000
"""The same for a step of a glide that has come too soon: the next one is near and takes its place.
The last step of a glide waits so long at most."""


class Outputs:
    """The outputs of a rig and the ports they hang on.

    Each port has an encoder of its own, so that one interface can be set up anew (it was unplugged)
    without a thought for the others. `sent` collects (ns, port, bytes) for whoever looks; it is
    bounded.
    """

    def __init__(
        self,
        wired: Mapping[str, WiredOutput],
        ports: Mapping[str, OutPort],
        specs: Mapping[str, PortSpec],
        corrections: Mapping[str, Correction],
        clock: Callable[[], int],
    ) -> None:
        self.wired = dict(wired)
        self.ports = dict(ports)
        self.port_of = {name: output.port for name, output in wired.items()}
        self.lost: set[str] = set()
        self.lateness = Lateness(clock())
        self.line_ns = 0
        """When a hand last moved everything in time (offset, a return after a crash): what became
        due before that by the new line is not late, it was not due yet by the old one."""
        self.sent: list[tuple[int, str, bytes]] = []
        links = {
            port: Link(kind=spec.link, messages_per_s=spec.messages_per_s)
            for port, spec in specs.items()
        }
        for port in self.port_of.values():
            links.setdefault(port, Link(kind="usb"))
        self.given: dict[str, float] = {}
        """The last value that was asked for of each output that moves."""
        self.clock = clock
        self.tape: Tape | None = None
        self.turned = False
        """Whether any value had its turn in the last `moved`, also one that needed no message."""
        self.owners: dict[str, str] = {}
        """Which lane or macro each output has had its last gate or value from."""
        self._thinner = Thinner(wired, links)
        self._gliding: set[str] = set()
        self._pitched = frozenset(n for n, w in wired.items() if w.output.kind == "pitch")
        self._encoders: dict[str, Encoder] = {}
        for port in {*ports, *self.port_of.values()}:
            mine = {name: output for name, output in wired.items() if output.port == port}
            fixes = {name: fix for name, fix in corrections.items() if name in mine}
            self._encoders[port] = Encoder(mine, fixes)
        self._encoder = {name: self._encoders[port] for name, port in self.port_of.items()}

    # --- messages -------------------------------------------------------------------------------

    def gate_on(self, output: str, level: float) -> list[Message]:
        return self._encoder[output].gate_on(output, level)

    def gate_off(self, output: str) -> list[Message]:
        return self._encoder[output].gate_off(output)

    def pulse_on(self, output: str) -> list[Message]:
        """The opening of a clock pulse: among what falls together it goes first."""
        messages = self._encoder[output].gate_on(output, 1.0)
        return [Message(m.port, CLOCK, m.data) for m in messages]

    def value(self, output: str, value: float) -> list[Message]:
        """A note number for a pitch output, volts for any other."""
        if output in self._pitched:
            return self._encoder[output].pitch(output, value)
        return self._encoder[output].level(output, value)

    def rest_levels(self) -> list[Message]:
        """Every level output at its rest volts, and nothing that waits moves it again; pitches
        stay, so that what still rings stays in tune."""
        self.given.clear()
        for name, wired in self.wired.items():
            if wired.output.kind == "level":
                self._thinner.drop(name)
        return [
            message
            for name, wired in self.wired.items()
            if wired.output.kind == "level"
            for message in self._encoder[name].level(name, wired.output.rest)
        ]

    def setup(self, port: str) -> list[Message]:
        return self._encoders[port].setup()

    def panic(self) -> list[Message]:
        return [m for encoder in self._encoders.values() for m in encoder.panic()]

    def close_gates(self) -> list[Message]:
        return [m for encoder in self._encoders.values() for m in encoder.close_gates()]

    @property
    def open(self) -> frozenset[str]:
        return frozenset(name for encoder in self._encoders.values() for name in encoder.open)

    def correct(self, output: str, correction: Correction | None) -> None:
        """What tuning has measured, from the next value on. Raises CommandError when there is no
        such output."""
        encoder = self._encoder.get(output)
        if encoder is None:
            raise CommandError(f"there is no output {output!r}", "unknown")
        encoder.correct(output, correction)

    def memory(self) -> dict[str, object]:
        """What is believed to stand at the outputs and what waits, as plain data for `recall`."""
        return {
            "given": dict(self.given),
            "owner": dict(self.owners),
            "thinner": self._thinner.memory(),
            "encoders": {port: encoder.memory() for port, encoder in self._encoders.items()},
        }

    def recall(self, memory: Mapping[str, Any]) -> None:
        """Goes on where the outputs of another player on the same rig were. Raises KeyError,
        TypeError or ValueError when `memory` is none."""
        self.given = {str(name): float(value) for name, value in memory["given"].items()}
        self.owners = {str(name): str(owner) for name, owner in memory["owner"].items()}
        self._thinner.recall(memory["thinner"])
        for port, encoder in memory["encoders"].items():
            self._encoders[port].recall(encoder)

    # --- values that move -----------------------------------------------------------------------

    def offer(
        self, output: str, value: float, now: int, owner: str = "", *, glides: bool = False
    ) -> None:
        """A value that may wait its turn; a newer one takes its place. `owner` is the lane or the
        macro that it comes from; `glides`: it is one step of many."""
        self.given[output] = value
        if glides:
            self._gliding.add(output)
        else:
            self._gliding.discard(output)
        if owner:
            self.owners[output] = owner
        self._thinner.offer(output, value, now)

    def withdraw(self, output: str) -> None:
        """Nothing that waits for this output is of interest any more."""
        self._thinner.drop(output)

    def moved(self, now: int, hits: Callable[[], Mapping[str, int]]) -> list[tuple[Message, str]]:
        """The messages of the values whose turn it is, each with its owner. `hits` gives the next
        deadline of each port, which no value may delay."""
        values = self._thinner.due(now, hits) if self._thinner.waiting else []
        self.turned = bool(values)
        return [
            (message, self.owners.get(output, ""))
            for output, value in values
            for message in self.value(output, value)
        ]

    @property
    def values_wait(self) -> bool:
        """Whether any value waits for its turn."""
        return self._thinner.waiting

    def next_value(self) -> int | None:
        """When a value that waits has to go, if nothing else is sent before; None: none waits."""
        return self._thinner.next_ns(self._grace)

    def _grace(self, output: str) -> int:
        return GLIDE_GRACE_NS if output in self._gliding else GRACE_NS

    # --- out ------------------------------------------------------------------------------------

    def send(
        self,
        messages: Iterable[Message],
        due: int | None = None,
        owners: Iterable[str] = repeat(""),
        turn: int | None = None,
    ) -> None:
        """Sends in the order given. With `due`, counts how late each message is. `owners` says,
        for each message, which lane or macro it comes from; `turn` when the turn of values that
        had waited has come."""
        ports, lost, clock = self.ports, self.lost, self.clock
        rows: list[tuple[int, str, bytes, str]] = []
        for (port, _, data), owner in zip(messages, owners, strict=False):
            out = ports.get(port)
            if out is not None and port not in lost:
                out.send(data)
                rows.append((clock(), port, data, owner))
        # All else is done when they have left, so that the last of them leaves as soon as it can.
        self.sent += [row[:3] for row in rows]
        if due is not None:
            line = max(due, self.line_ns)
            for row in rows:
                self.lateness.add(row[0] - line)
        if self.tape is not None and rows:
            self.tape.sent(due, rows, turn)
        if len(self.sent) > LOG_MOST:
            del self.sent[: -LOG_MOST // 2]
