"""What should happen at the outputs, as MIDI bytes.

The encoder owns what it has sent: which notes sound, which values stand. So a value is sent once,
every note that was switched on is switched off by its own explicit note-off (8n, never 9n with
velocity 0), and nothing is ever asked for beyond the volts of a profile. Sources: MIDI 1.0
Detailed Specification 4.2.1, tables T-1 to T-5 (status bytes), p. 12 (controller pairs: MSB, then
LSB), pp. 17-18 (parameters), pp. 24-25 and 31 (note-offs before All Notes Off).
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from bridge.voltage.calibration import Correction
from bridge.voltage.message import CLOCK, OFF, ON, RELEASE, VALUE, Message
from bridge.voltage.profile import (
    TOP_CODE,
    Output,
    WiredOutput,
    clamp_volts,
    note_of_volts,
    volts_of_note,
)
from bridge.voltage.voice import Voice, velocity

__all__ = ["CLOCK", "OFF", "ON", "VALUE", "Encoder", "Message", "value_bytes", "value_code"]


def value_code(out: Output, volts: float) -> int:
    """The code that comes nearest to `volts`, clamped; of a plain number address (`TOP_CODE`)."""
    top = TOP_CODE[out.address.by]
    if out.high == out.low:
        return 0
    share = (clamp_volts(out, volts) - out.low) / (out.high - out.low)
    return int(share * top + 0.5)  # 0 to top, as the share is 0 to 1


def value_bytes(out: Output, code: int) -> list[bytes]:
    """The whole messages that set a plain number address to `code`."""
    address = out.address
    channel = address.channel - 1
    control = 0xB0 | channel
    number = address.number or 0
    msb, lsb = code >> 7, code & 0x7F
    if address.by == "cc":
        return [bytes((control, number, code))]
    if address.by == "cc14":
        return [bytes((control, number, msb)), bytes((control, number + 32, lsb))]
    if address.by == "nrpn":
        return [
            bytes((control, 99, number >> 7)),
            bytes((control, 98, number & 0x7F)),
            bytes((control, 6, msb)),
            bytes((control, 38, lsb)),
        ]
    if address.by == "bend":
        return [bytes((0xE0 | channel, lsb, msb))]
    if address.by == "pressure":
        return [bytes((0xD0 | channel, code))]
    if address.by == "program":
        return [bytes((0xC0 | channel, code))]
    raise ValueError(f"{out.name}: a value cannot be sent by {address.by}")


class Encoder:
    """MIDI for the outputs of a rig. Methods give the messages to send, in order; often none.

    Unknown output names raise KeyError; everything else is clamped. `corrections` holds what
    tuning has measured, by output name.
    """

    def __init__(
        self,
        outputs: Mapping[str, WiredOutput],
        corrections: Mapping[str, Correction] = MappingProxyType({}),
    ) -> None:
        self._outputs = dict(outputs)
        self._corrections = dict(corrections)
        self._codes: dict[str, int] = {}
        self._open: set[str] = set()
        self._voices: dict[tuple[str, int], Voice] = {}
        self._voice_of: dict[str, Voice] = {}
        for name, wired in self._outputs.items():
            if _in_voice(wired.output):
                key = (wired.port, wired.output.address.channel)
                voice = self._voices.setdefault(key, Voice(*key))
                voice.take(name, wired.output)
                self._voice_of[name] = voice

    @property
    def open(self) -> frozenset[str]:
        """Names of the outputs whose gate is open."""
        return frozenset(self._open)

    @property
    def outputs(self) -> Mapping[str, WiredOutput]:
        return MappingProxyType(self._outputs)

    def correct(self, output: str, correction: Correction | None) -> None:
        """Use another correction from the next value on; None takes it away."""
        if output not in self._outputs:
            raise KeyError(output)
        self._corrections.pop(output, None)
        if correction is not None:
            self._corrections[output] = correction

    def memory(self) -> dict[str, object]:
        """What it believes to stand at the outputs, as plain data for `recall`."""
        voices = [[*key, *voice.memory()] for key, voice in self._voices.items()]
        return {"codes": dict(self._codes), "voices": voices}

    def recall(self, memory: Mapping[str, Any]) -> None:
        """Believes what another encoder of the same outputs believed; gates are closed. Raises
        KeyError, TypeError or ValueError when `memory` is none."""
        self._codes = {str(name): int(code) for name, code in memory["codes"].items()}
        for port, channel, *beliefs in memory["voices"]:
            self._voices[port, channel].recall(beliefs)

    # --- what plays --------------------------------------------------------------------------

    def gate_on(self, output: str, level: float = 1.0) -> list[Message]:
        """Open a gate; `level` 0..1 becomes velocity 1..127 where the address has one. An open
        gate is closed first, so that every hit is a new edge."""
        wired = self._outputs[output]
        out, port = wired.output, wired.port
        by = out.address.by
        level = min(max(level, 0.0), 1.0) if level == level else 0.0
        if not out.gates:
            return self.level(output, out.low + level * (out.high - out.low))
        if by == "clock":  # driven by the real-time bytes, not by us
            return []
        before = self.gate_off(output)
        if by != "program":  # a program fires once and has nothing to close
            self._open.add(output)
        if output in self._voice_of:
            return before + self._voice_of[output].gate_on(level)
        if by in ("note", "note-velocity"):
            data = bytes((0x90 | out.address.channel - 1, out.address.number or 0, velocity(level)))
            return [*before, Message(port, ON, data)]
        if by == "program":
            data = bytes((0xC0 | out.address.channel - 1, out.address.number or 0))
            return [Message(port, ON, data)]
        return before + self._send(wired, TOP_CODE[by], ON)

    def gate_off(self, output: str) -> list[Message]:
        """Close a gate; nothing when it is closed already. Levels go to rest."""
        wired = self._outputs[output]
        if not wired.output.gates:
            return self.level(output, wired.output.rest)
        if output not in self._open:
            return []
        self._open.discard(output)
        return self._close(wired)

    def pitch(self, output: str, note: float) -> list[Message]:
        """Move a pitch output to `note` (fractional allowed). The pitch of a mono voice waits for
        its next gate, or changes at once, without a new edge, while the gate is open."""
        wired = self._outputs[output]
        return self.level(output, volts_of_note(wired.output, note))

    def level(self, output: str, volts: float) -> list[Message]:
        """Move an output to `volts`, clamped to its profile; nothing when the code stays."""
        wired = self._outputs[output]
        out = wired.output
        volts = clamp_volts(out, volts)
        correction = self._corrections.get(output)
        if correction is not None:
            volts = clamp_volts(out, correction.ask(out, volts))
        voice = self._voice_of.get(output)
        if voice is not None:
            if out.address.by == "note-pitch":
                return voice.pitch(note_of_volts(out, volts))
            if out.address.by == "note-velocity" and not out.gates:
                voice.velocity = max(1, value_code(out, volts))
            return []
        if out.address.by not in TOP_CODE or out.address.by == "note-velocity":
            return []
        return self._send(wired, value_code(out, volts), VALUE)

    # --- all of them ---------------------------------------------------------------------------

    def setup(self) -> list[Message]:
        """From an unknown state to rest: every gate closed, bend range set, rest volts. Forgets
        what was sent before, so it is also right for an interface that has just come back."""
        self._open.clear()
        self._codes.clear()
        messages: list[Message] = []
        for wired in self._outputs.values():
            if wired.output.gates and wired.name not in self._voice_of:
                messages += self._close(wired)
        for voice in self._voices.values():
            messages += voice.setup()
        return messages + self._rest_values()

    def rest(self) -> list[Message]:
        """Close every open gate and bring every value to its rest volts."""
        messages: list[Message] = []
        for name in [n for n in self._outputs if n in self._open]:
            messages += self.gate_off(name)
        for voice in self._voices.values():
            messages += voice.silence()
        return messages + self._rest_values()

    def panic(self) -> list[Message]:
        """Everything closed, whatever is believed: explicit offs first, then controllers 123 and
        120 on every channel with notes, bend centred, rest volts sent again."""
        messages = self.close_gates()
        for port, channel in self._note_channels():
            control = 0xB0 | channel - 1
            messages += [Message(port, VALUE, bytes((control, n, 0))) for n in (123, 120)]
        for voice in self._voices.values():
            messages += voice.centre()
        return messages + self._rest_values()

    def close_gates(self) -> list[Message]:
        """An explicit off of every gate, whatever is believed."""
        messages: list[Message] = []
        for name in [n for n in self._outputs if n in self._open]:
            messages += self.gate_off(name)
        for voice in self._voices.values():
            messages += voice.silence()
        self._codes.clear()
        for wired in self._outputs.values():
            if wired.output.gates and wired.name not in self._voice_of:
                messages += self._close(wired)
        return messages

    # --- inside --------------------------------------------------------------------------------

    def _close(self, wired: WiredOutput) -> list[Message]:
        out, port = wired.output, wired.port
        by = out.address.by
        if wired.name in self._voice_of:
            return self._voice_of[wired.name].gate_off()
        if by in ("note", "note-velocity"):
            data = bytes((0x80 | out.address.channel - 1, out.address.number or 0, RELEASE))
            return [Message(port, OFF, data)]
        if by in ("program", "clock"):
            return []
        return self._send(wired, 0, OFF)

    def _send(self, wired: WiredOutput, code: int, order: int) -> list[Message]:
        if self._codes.get(wired.name) == code:
            return []
        self._codes[wired.name] = code
        return [Message(wired.port, order, data) for data in value_bytes(wired.output, code)]

    def _rest_values(self) -> list[Message]:
        # No correction here: rest is a safe state of the jack, not a pitch.
        messages: list[Message] = []
        for wired in self._outputs.values():
            out = wired.output
            if out.gates or wired.name in self._voice_of or out.address.by not in TOP_CODE:
                continue
            messages += self._send(wired, value_code(out, out.rest), VALUE)
        return messages

    def _note_channels(self) -> list[tuple[str, int]]:
        used = {
            (wired.port, wired.output.address.channel)
            for wired in self._outputs.values()
            if wired.output.address.by.startswith("note")
        }
        return sorted(used)


def _in_voice(out: Output) -> bool:
    by = out.address.by
    return by == "note-pitch" or (by in ("note", "note-velocity") and out.address.number is None)
