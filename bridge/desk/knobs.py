"""What the messages of a MIDI controller mean, when a knob has hold of a value, and where an
encoder moves one. No clock and no
loop in here: every call is told `now`, in seconds of one monotonic clock.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from bridge.protocol.limits import Coding

PRESSED = 64  # from here on a controller is "on" (MIDI 1.0, switches: 0-63 off, 64-127 on)
MET = 1.5 / 127  # a knob this near the value has met it
ECHO_S = 1.0  # what a knob has sent comes back in the state within this time
SENT_MOST = 256
END = 1e-6  # this near an end of the range is the end: many small steps never add up quite
FINE = 32  # the fine half of a 14-bit controller is this far above the coarse one (MIDI 1.0, p. 12)


Key = tuple[str, str, int, int]
"""A control: its port, what it is, its channel and number."""


@dataclass(frozen=True, slots=True)
class Touched:
    """One control that moved: its input, what it is (channel from 1), its value 0..127."""

    port: str
    kind: str
    channel: int
    number: int
    value: int

    @property
    def key(self) -> Key:
        return self.port, self.kind, self.channel, self.number

    @property
    def pressed(self) -> bool:
        """As a button: down. A note with any velocity is."""
        return self.value >= (PRESSED if self.kind == "cc" else 1)


def read(port: str, data: bytes) -> Touched | None:
    """What moved, or None for other messages. A note-off is a note of value 0."""
    if len(data) != 3:
        return None
    kind, channel = data[0] & 0xF0, (data[0] & 0x0F) + 1
    if kind == 0xB0 and data[1] < 120:  # 120 and up are mode messages
        return Touched(port, "cc", channel, data[1], data[2])
    if kind in (0x80, 0x90):
        return Touched(port, "note", channel, data[1], data[2] if kind == 0x90 else 0)
    return None


def steps_of(coding: Coding, value: int) -> int:
    """The steps that an encoder was turned by.

    Args:
        coding: how it counts, as the rig says: its messages look alike.
        value: the value of its control change, 0..127.

    Returns:
        Steps up, or below 0 down; 0 when it has not moved.
    """
    if coding == "offset":
        return value - 64
    if coding == "sign-bit":
        return 64 - value if value & 64 else value
    return value - 128 if value & 64 else value


class Pair:
    """Both halves of a 14-bit controller. A coarse half puts the fine one to 0, so that a knob that
    sends only coarse steps stays right; the coarse half comes first (MIDI 1.0, p. 12)."""

    def __init__(self) -> None:
        self._coarse = 0

    def coarse(self, value: int) -> float:
        """The knob's place 0..1 after its coarse half has come."""
        self._coarse = value
        # The top of the coarse half is the top of the knob, whether a fine half follows or not.
        return 1.0 if value == 127 else (value << 7) / 16383

    def fine(self, value: int) -> float:
        return (self._coarse << 7 | value) / 16383


class Heading:
    """Where the encoders of a desk take one macro. The state shows a move only after the player has
    answered it, and the next step of a quick turn comes sooner: until all is answered, what was
    sent last counts."""

    def __init__(self) -> None:
        self._sent: float | None = None
        self._unanswered = 0

    def after(self, stands: float, by: float) -> float | None:
        """The value 0..1 that is `by` further, None when that is no move (it is at its end).
        `stands` is what the state says of it."""
        start = stands if self._sent is None else self._sent
        value = min(max(start + by, 0.0), 1.0)
        if abs(value - round(value)) < END:
            value = float(round(value))
        return None if value == start else value

    def sent(self, value: float) -> None:
        """A move to `value` is on its way."""
        self._sent = value
        self._unanswered += 1

    def answered(self) -> None:
        """A move has been made or refused: once none is on its way, the state is right again."""
        self._unanswered -= 1
        if not self._unanswered:
            self._sent = None


class Pickup:
    """A knob that takes hold of a value only when it has met or passed it, and lets go when
    something else moves the value.

    `value` is where the knob was last (None before it has moved), `goal` what the state says of the
    value that it moves. Without `wait` it always has hold.
    """

    def __init__(self, wait: bool = True) -> None:
        self.wait = wait
        self.value: float | None = None
        self.goal: float | None = None
        self.holds = not wait
        self._sent: deque[tuple[float, float]] = deque(maxlen=SENT_MOST)

    @property
    def waiting(self) -> bool:
        """Whether turning it moves nothing yet."""
        return not self.holds

    def stands(self, value: float, now: float) -> None:
        """The state says that the value stands at `value`: by our own hand (what a knob sends comes
        back a little later) or by another's."""
        if value == self.goal:
            return
        self.goal = value
        while len(self._sent) > 1 and now - self._sent[0][0] > ECHO_S:
            self._sent.popleft()
        ours = any(abs(sent - value) < 1e-9 for _, sent in self._sent)
        if self.holds and self.wait and not ours:
            self.let_go()

    def move(self, value: float, now: float) -> bool:
        """The knob stands at `value`; True when that is what it moves should become."""
        last, self.value = self.value, value
        if not self.holds:
            if self.goal is None:
                return False
            meets = abs(value - self.goal) <= MET
            passes = last is not None and (last - self.goal) * (value - self.goal) <= 0
            if not (meets or passes):
                return False
            self.holds = True
        self._sent.append((now, value))
        return True

    def let_go(self) -> None:
        """Another hand has the value."""
        self.holds = not self.wait
        self._sent.clear()
