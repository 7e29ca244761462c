"""A mono voice: pitch, gate and velocity that all come from the notes of one channel.

Such a voice changes its pitch voltage only with a note, and its gate stays open while any note is
held (common practice: the last note played has the pitch). So a wanted pitch waits here for the
next gate; while the gate is open it is reached by bend when it lies within the bend range, else by
a new note that is switched on before the old one is switched off, which leaves the gate open.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from bridge.voltage.message import OFF, ON, RELEASE, VALUE, Message
from bridge.voltage.profile import BEND_CENTRE, Output, note_of_volts


def velocity(level: float) -> int:
    """Velocity 1..127 of a level 0..1: velocity 0 would be a note-off (MIDI 1.0, p. 10)."""
    return min(max(int(level * 127 + 0.5), 1), 127)


class Voice:
    """The voice on one channel (1..16) of one port. Without a gate jack it holds a note all the
    time, because only a note moves its pitch."""

    def __init__(self, port: str, channel: int) -> None:
        self.port = port
        self.velocity: int | None = None  # of the next note, where a lane drives the velocity jack
        self._channel = channel - 1
        self._gate = False
        self._bend_range = 0.0
        self._set_range = False
        self._low, self._high = 0.0, 127.0
        self._target = 60.0
        self._sounding: int | None = None
        self._level = 100
        self._bend = BEND_CENTRE

    def take(self, name: str, out: Output) -> None:
        """Add one jack of this voice."""
        if out.address.by == "note-pitch":
            self._bend_range = out.bend_semitones
            self._set_range = out.set_bend_range
            ends = sorted(note_of_volts(out, volts) for volts in (out.low, out.high))
            self._low, self._high = max(0.0, ends[0]), min(127.0, ends[1])
            self._target = min(max(note_of_volts(out, out.rest), self._low), self._high)
        elif out.gates:
            self._gate = True

    def memory(self) -> list[float | None]:
        """What it aims at and believes to sound, for `recall`."""
        return [self.velocity, self._target, self._sounding, self._level, self._bend]

    def recall(self, beliefs: Sequence[float | None]) -> None:
        """Believes what `memory` of another such voice gave. Raises TypeError or ValueError when
        they are none."""
        velocity, target, sounding, level, bend = beliefs
        self.velocity = None if velocity is None else int(velocity)
        self._sounding = None if sounding is None else int(sounding)
        if target is None or level is None or bend is None:
            raise ValueError("a voice always aims at something")
        self._target, self._level, self._bend = float(target), int(level), int(bend)

    def pitch(self, note: float) -> list[Message]:
        """Aim at `note`, already corrected; sends nothing while the gate is closed."""
        self._target = min(max(note, self._low), self._high)
        if self._sounding is None and self._gate:
            return []
        return self._move()

    def gate_on(self, level: float) -> list[Message]:
        self._level = velocity(level)
        messages = self.silence()
        note, bend = self._parts()
        messages += self._bend_to(bend)
        self._sounding = note
        return [*messages, self._on(note)]

    def gate_off(self) -> list[Message]:
        return self.silence()

    def silence(self) -> list[Message]:
        """An explicit note-off for the note that sounds, if one does."""
        if self._sounding is None:
            return []
        note, self._sounding = self._sounding, None
        return [Message(self.port, OFF, bytes((0x80 | self._channel, note, RELEASE)))]

    def setup(self) -> list[Message]:
        """From an unknown state: notes off (their numbers are not known, so controller 123), the
        bend range by RPN 0 and its null (MIDI 1.0 pp. 17-18; null: RP-018), bend centred."""
        control = 0xB0 | self._channel
        self._sounding = None
        pairs = [(123, 0)]
        if self._set_range and self._bend_range > 0.0:
            hundredths = round(self._bend_range * 100)
            semitones, cents = divmod(hundredths, 100)
            pairs += [(101, 0), (100, 0), (6, semitones), (38, cents), (101, 127), (100, 127)]
        messages = [Message(self.port, VALUE, bytes((control, n, v))) for n, v in pairs]
        return messages + self.centre()

    def centre(self) -> list[Message]:
        """Bend to the middle, sent even when it is believed to be there."""
        if self._bend_range <= 0.0:
            return []
        self._bend = -1
        return self._bend_to(BEND_CENTRE)

    def _parts(self) -> tuple[int, int]:
        """The note and the bend code of the pitch aimed at; without bend the nearest semitone that
        lies within the range."""
        if self._bend_range <= 0.0:
            note = min(max(round(self._target), math.ceil(self._low)), math.floor(self._high))
            return note, BEND_CENTRE
        note = min(max(round(self._target), 0), 127)
        return note, self._bend_code(self._target - note)

    def _bend_code(self, semitones: float) -> int:
        code = BEND_CENTRE + round(semitones / self._bend_range * BEND_CENTRE)
        return min(max(code, 0), 2 * BEND_CENTRE - 1)

    def _move(self) -> list[Message]:
        old = self._sounding
        if old is not None:
            away = self._target - old
            if self._bend_range > 0.0 and abs(away) <= self._bend_range * (8191 / 8192):
                return self._bend_to(self._bend_code(away))
        note, bend = self._parts()
        if note == old:
            return []
        messages = self._bend_to(bend)
        messages.append(self._on(note))
        self._sounding = note
        if old is not None:
            # After the new note on purpose, so with its order: the gate must not close between.
            messages.append(Message(self.port, ON, bytes((0x80 | self._channel, old, RELEASE))))
        return messages

    def _on(self, note: int) -> Message:
        level = self._level if self.velocity is None else self.velocity
        return Message(self.port, ON, bytes((0x90 | self._channel, note, level)))

    def _bend_to(self, code: int) -> list[Message]:
        if code == self._bend or self._bend_range <= 0.0:
            return []
        self._bend = code
        data = bytes((0xE0 | self._channel, code & 0x7F, code >> 7))
        return [Message(self.port, VALUE, data)]
