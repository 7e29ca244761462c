"""Commands that only our own processes send: no client can. They are checked all the same, since
the player must survive whatever arrives."""

from __future__ import annotations

import itertools
from typing import Annotated, Any

from bridge.errors import CommandError
from bridge.protocol.bounds import MaxLen
from bridge.protocol.command import Alternative, Command, fits, row
from bridge.protocol.limits import OutputName, PortName

LARGEST_TABLE = 256
"""Rows of a correction: one for each MIDI note, twice over."""


@row("put-back", by="process")
class PutBack(Command):
    """Puts members of an earlier state back, exactly as they were: whole top-level members, single
    members of lanes, single macros."""

    parts: dict[str, Any]


@row("correct", by="process")
class Correct(Command):
    """Another correction of a tuned output (members of `bridge.voltage.calibration.Correction`),
    or none."""

    output: OutputName
    correction: dict[str, Any] | None

    def __post_init__(self) -> None:
        if self.correction is not None and not _is_correction(self.correction):
            raise CommandError("correct: 'correction' has not the form of a correction")


@row("listen", by="process")
class Listen(Command):
    """Opens the input of a MIDI controller."""

    port: PortName


@row("feedback", by="process")
class SendFeedback(Command):
    """Sends a channel message (hex) to a MIDI controller: a lamp, a motor fader."""

    port: PortName
    data: Annotated[str, MaxLen(6)]

    def __post_init__(self) -> None:
        _check_channel_message(self.ROW.do, self.data)


@row("input", by="process")
class TakeInput(Command):
    """A channel message (hex) as if it had come in on a port: simulated controllers."""

    port: PortName
    data: Annotated[str, MaxLen(6)]

    def __post_init__(self) -> None:
        _check_channel_message(self.ROW.do, self.data)


@row("quit", by="process")
class Quit(Command):
    """Ends the player."""


def _check_channel_message(do: str, text: str) -> None:
    """Whether `text` is the hex of one whole channel message (MIDI 1.0, table 1: two data bytes,
    one for Cn and Dn)."""
    try:
        data = bytes.fromhex(text)
    except ValueError:
        data = b""
    good = bool(data) and 0x80 <= data[0] < 0xF0 and max(data[1:], default=0x80) <= 0x7F
    if not good or len(data) != (2 if data[0] & 0xE0 == 0xC0 else 3):
        raise CommandError(f"{do}: 'data' cannot be {text!r}")


_NUMBER = ((float, ()),)
_CORRECTION: dict[str, tuple[Alternative, ...]] = {
    "offset_volts": _NUMBER,
    "gain": _NUMBER,
    "made": ((str, (MaxLen(40),)),),
    "table": ((list, ()),),
}


def _is_correction(given: dict[str, object]) -> bool:
    if not given.keys() <= _CORRECTION.keys():
        return False
    if not all(fits(value, _CORRECTION[name]) for name, value in given.items()):
        return False
    rows, gain = given.get("table", []), given.get("gain", 1)
    assert isinstance(rows, list)  # as the types above say
    assert isinstance(gain, int | float)
    return (
        0.5 <= gain <= 2
        and len(rows) <= LARGEST_TABLE
        and all(
            isinstance(row, list) and len(row) == 2 and all(fits(part, _NUMBER) for part in row)
            for row in rows
        )
        and all(a[0] < b[0] for a, b in itertools.pairwise(rows))
    )
