"""The correction of one output: what to ask for, so that the wanted voltage comes out.

Model: an output asked for ``a`` volts gives ``offset + gain * a`` volts, and on top of that is off
by a few cents that differ from octave to octave. `bridge.voltage.least_squares` finds the numbers
from readings; this module only applies them and is all that the player loads.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from bridge.voltage.profile import Output, note_of_volts, volts_of_note


def interpolate(table: Sequence[tuple[float, float]], x: float) -> float:
    """The value at `x` of straight lines through `table` (ascending), level beyond its ends;
    0 for an empty table."""
    if not table:
        return 0.0
    at = bisect_right(table, (x, float("inf")))
    if at == 0:
        return table[0][1]
    if at == len(table):
        return table[-1][1]
    (x0, y0), (x1, y1) = table[at - 1], table[at]
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)


@dataclass(frozen=True, slots=True)
class Correction:
    """What was measured of one output.

    offset_volts, gain
        volts out = offset_volts + gain * volts asked for.
    table
        (note, cents) in ascending order, about an octave apart: how sharp the output still is
        there once offset and gain are taken away; straight lines in between.
    made
        the day it was made (ISO 8601), for people.
    """

    offset_volts: float = 0.0
    gain: float = 1.0
    table: tuple[tuple[float, float], ...] = ()
    made: str = ""

    def ask(self, out: Output, volts: float) -> float:
        """Volts to ask for, so that `out` gives `volts`. Not clamped: the encoder does that."""
        if self.table:
            wanted = note_of_volts(out, volts)
            note = wanted
            for _ in range(4):  # the table is read where the straight line lands, not where we want
                note = wanted - interpolate(self.table, note) / 100.0
            volts = volts_of_note(out, note)
        return (volts - self.offset_volts) / self.gain

    def gives(self, out: Output, asked: float) -> float:
        """Volts that `out` gives when asked for `asked`, by this model: the inverse of `ask`."""
        volts = self.offset_volts + self.gain * asked
        if not self.table:
            return volts
        note = note_of_volts(out, volts)
        return volts_of_note(out, note + interpolate(self.table, note) / 100.0)
