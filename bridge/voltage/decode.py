"""MIDI bytes to volts: the simulated interface.

Written from what a profile means, on its own: it shares no byte arithmetic with
`bridge.voltage.encode`, so that each can be held against the other. What an interface makes of
several notes at once is common practice, no source: the last note held has the pitch, and the
gate stays open while any is held.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from bridge.voltage.parser import Parser
from bridge.voltage.profile import Output, WiredOutput, volts_of_note

Change = tuple[str, float]
_NO_PARAMETER = (-1, -1)


@dataclass(slots=True)
class _Channel:
    """What an interface remembers of one channel."""

    held: list[int] = field(default_factory=list)
    bend: int = 8192
    bend_range: float = 2.0
    note: int | None = None
    controls: dict[int, int] = field(default_factory=dict)
    parameter: tuple[int, int] = _NO_PARAMETER  # MSB, LSB
    registered: bool = False
    entry: int = 0


class Decoder:
    """Volts of every output, from the bytes that arrive at its port.

    `volts` starts at rest. Pulse widths need time and are left to the reader: a trigger is
    reported high when its note comes and low when it ends.
    """

    def __init__(self, outputs: Mapping[str, WiredOutput]) -> None:
        self._volts = {name: wired.output.rest for name, wired in outputs.items()}
        self._parsers: dict[str, Parser] = {}
        self._ports: dict[str, list[tuple[str, Output]]] = {}
        self._channels: dict[tuple[str, int], _Channel] = {}
        self._clocks: dict[str, int] = {}
        self._changes: list[Change] = []
        for name, wired in outputs.items():
            self._ports.setdefault(wired.port, []).append((name, wired.output))
            out = wired.output
            if out.address.by == "note-pitch" and not out.set_bend_range:
                self._channel(wired.port, out.address.channel).bend_range = out.bend_semitones

    @property
    def volts(self) -> Mapping[str, float]:
        """Volts of every output now."""
        return MappingProxyType(self._volts)

    def feed(self, port: str, data: bytes) -> list[Change]:
        """Bytes arrive at `port`, in any portions. Gives (output, volts) for each voltage that
        moved, in order; a pulse from a real-time byte moves up and down again."""
        self._changes = []
        parser = self._parsers.setdefault(port, Parser())
        for message in parser.feed(data):
            status = message[0]
            if status >= 0xF8:
                self._real_time(port, status)
            elif status < 0xF0:
                number = (status & 0x0F) + 1
                _HANDLERS[status & 0xF0](self, port, number, message[1], message[-1])
        return self._changes

    # --- messages ------------------------------------------------------------------------------

    def _note_on(self, port: str, number: int, note: int, velocity: int) -> None:
        if velocity == 0:
            self._note_off(port, number, note, velocity)
            return
        channel = self._channel(port, number)
        if note in channel.held:
            channel.held.remove(note)
        channel.held.append(note)
        channel.note = note
        for name, out in self._at(port, number):
            by, fixed = out.address.by, out.address.number
            if by == "note" and fixed in (None, note):
                self._move(name, out, out.high)
            elif by == "note-velocity" and fixed in (None, note):
                self._move(name, out, self._linear(out, velocity, 127))
        self._tune(port, number)

    def _note_off(self, port: str, number: int, note: int, _velocity: int) -> None:
        channel = self._channel(port, number)
        if note in channel.held:
            channel.held.remove(note)
        for name, out in self._at(port, number):
            fixed = out.address.number
            closes = not channel.held if fixed is None else fixed == note
            if closes and self._is_gate(out):
                self._move(name, out, out.low)
        if channel.held:
            channel.note = channel.held[-1]
            self._tune(port, number)

    def _control(self, port: str, number: int, control: int, value: int) -> None:
        channel = self._channel(port, number)
        if control in (120, 123):
            for note in list(channel.held):
                self._note_off(port, number, note, 64)
            return
        if control in (98, 99, 100, 101):
            registered = control >= 100
            old = channel.parameter if channel.registered == registered else _NO_PARAMETER
            channel.registered = registered
            channel.parameter = (value, old[1]) if control in (99, 101) else (old[0], value)
        elif control in (6, 38):
            self._data_entry(port, number, control, value)
        channel.controls[control] = value
        if control < 32:
            channel.controls[control + 32] = 0  # a new MSB clears its LSB (MIDI 1.0, p. 12)
        for name, out in self._at(port, number):
            first = out.address.number or 0
            if out.address.by == "cc" and first == control:
                self._move(name, out, self._linear(out, value, 127))
            elif out.address.by == "cc14" and control in (first, first + 32):
                msb = channel.controls.get(first, 0)
                lsb = channel.controls.get(first + 32, 0)
                self._move(name, out, self._linear(out, msb * 128 + lsb, 16383))

    def _data_entry(self, port: str, number: int, control: int, value: int) -> None:
        channel = self._channel(port, number)
        msb, lsb = channel.parameter
        if msb < 0 or lsb < 0 or (msb, lsb) == (127, 127):
            return
        channel.entry = value * 128 if control == 6 else channel.entry // 128 * 128 + value
        if channel.registered:
            if (msb, lsb) == (0, 0) and self._listens_to_range(port, number):
                channel.bend_range = channel.entry // 128 + channel.entry % 128 / 100
                self._tune(port, number)
            return
        for name, out in self._at(port, number):
            if out.address.by == "nrpn" and out.address.number == msb * 128 + lsb:
                self._move(name, out, self._linear(out, channel.entry, 16383))

    def _program(self, port: str, number: int, program: int, _same: int) -> None:
        for name, out in self._at(port, number):
            if out.address.by != "program":
                continue
            if not self._is_gate(out):
                self._move(name, out, self._linear(out, program, 127))
            elif out.address.number == program:
                self._pulse(name, out)

    def _pressure(self, port: str, number: int, value: int, _same: int) -> None:
        for name, out in self._at(port, number):
            if out.address.by == "pressure":
                self._move(name, out, self._linear(out, value, 127))

    def _poly_pressure(self, port: str, number: int, note: int, value: int) -> None:
        """No output listens to the pressure of single notes."""

    def _pitch_bend(self, port: str, number: int, lsb: int, msb: int) -> None:
        channel = self._channel(port, number)
        channel.bend = msb * 128 + lsb
        for name, out in self._at(port, number):
            if out.address.by == "bend":
                self._move(name, out, self._linear(out, channel.bend, 16383))
        self._tune(port, number)

    def _real_time(self, port: str, status: int) -> None:
        if status == 0xFF:  # power-up state (MIDI 1.0, p. 33)
            self._forget(port)
            return
        count = self._clocks.get(port, 0)
        for name, out in self._ports.get(port, []):
            if out.address.by != "clock":
                continue
            if out.kind == "clock" and status == 0xF8:
                if count % max(1, 24 // out.ppqn) == 0:
                    self._pulse(name, out)
            elif out.kind == "reset" and status == 0xFA:
                self._pulse(name, out)
            elif out.kind == "run" and status in (0xFA, 0xFB, 0xFC):
                self._move(name, out, out.low if status == 0xFC else out.high)
        if status == 0xF8:
            self._clocks[port] = count + 1
        elif status == 0xFA:
            self._clocks[port] = 0

    # --- volts ---------------------------------------------------------------------------------

    def _tune(self, port: str, number: int) -> None:
        channel = self._channel(port, number)
        if channel.note is None:
            return
        for name, out in self._at(port, number):
            if out.address.by == "note-pitch":
                bent = (channel.bend - 8192) / 8192 * channel.bend_range
                if out.bend_semitones <= 0.0:
                    bent = 0.0
                self._move(name, out, volts_of_note(out, channel.note + bent))

    @staticmethod
    def _linear(out: Output, code: int, top: int) -> float:
        if out.gates and out.address.by != "note-velocity":
            # A switch: the lower half is off, the upper half on (MIDI 1.0, p. 12).
            return out.high if code > top // 2 else out.low
        return out.low + (out.high - out.low) * code / top

    @staticmethod
    def _is_gate(out: Output) -> bool:
        by = out.address.by
        return out.kind not in ("pitch", "level") and by in ("note", "note-velocity", "program")

    def _move(self, name: str, out: Output, volts: float) -> None:
        bottom, top = min(out.low, out.high), max(out.low, out.high)
        volts = min(max(volts, bottom), top)
        if out.kind in ("pitch", "level") and out.bits > 0 and top > bottom:
            step = (top - bottom) / (2**out.bits - 1)
            volts = bottom + round((volts - bottom) / step) * step
        if volts != self._volts[name]:
            self._volts[name] = volts
            self._changes.append((name, volts))

    def _pulse(self, name: str, out: Output) -> None:
        self._move(name, out, out.high)
        self._move(name, out, out.low)

    def _at(self, port: str, number: int) -> list[tuple[str, Output]]:
        return [
            (name, out)
            for name, out in self._ports.get(port, [])
            if out.address.channel == number and out.address.by != "clock"
        ]

    def _channel(self, port: str, number: int) -> _Channel:
        return self._channels.setdefault((port, number), _Channel())

    def _listens_to_range(self, port: str, number: int) -> bool:
        return any(out.set_bend_range for _, out in self._at(port, number))

    def _forget(self, port: str) -> None:
        for key in [key for key in self._channels if key[0] == port]:
            fixed = self._channels[key].bend_range
            listens = self._listens_to_range(*key)
            self._channels[key] = _Channel(bend_range=2.0 if listens else fixed)
        for name, out in self._ports.get(port, []):
            self._move(name, out, out.rest)


_Handler = Callable[[Decoder, str, int, int, int], None]
_HANDLERS: dict[int, _Handler] = {
    0x80: Decoder._note_off,
    0x90: Decoder._note_on,
    0xA0: Decoder._poly_pressure,
    0xB0: Decoder._control,
    0xC0: Decoder._program,
    0xD0: Decoder._pressure,
    0xE0: Decoder._pitch_bend,
}
