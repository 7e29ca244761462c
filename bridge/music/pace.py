"""Half and double time of one lane: the length of its steps, as it stands since the last bar line.

A pace is looked at on bar lines only, and holds until the next; so it changes on the bar, whenever
it is asked for and however time is cut into windows.
"""

from __future__ import annotations

from fractions import Fraction
from typing import NamedTuple


class PacingState(NamedTuple):
    """Where a pace stands; see the attributes of `Pacing`."""

    written: Fraction
    pace: int
    line: int
    fresh: bool


class Pacing:
    """The pace of a lane that goes by a rate.

    Attributes:
        written: the length of a step as the lane has it, in ticks.
        step: the same at its pace: twice as long in half time, half as long in double time.
        pace: -1 half time, 0 as written, 1 double time.
        line: the tick at which to look again.
        fresh: the lane has just come in, and has not looked yet.
    """

    __slots__ = ("_bar", "fresh", "line", "pace", "step", "written")

    def __init__(self, written: Fraction, bar_ticks: int) -> None:
        self.written = written
        self._bar = bar_ticks
        self.rewind()

    def rewind(self) -> None:
        """Back to the first tick."""
        self.begin(0)

    def begin(self, tick: int) -> None:
        """Come in at a tick: look there, then at the bar lines."""
        self.line = tick
        self.fresh = True
        self._take(0)

    def look(self, asked: float, line: int) -> bool:
        """
        Take the pace that is asked for at `line`; look again at the bar line after it.

        Args:
            asked: the present value of the lane's setting `pace`.
            line: the tick that `self.line` says.

        Returns:
            Whether that is another one than before.
        """
        self.line = (line // self._bar + 1) * self._bar
        self.fresh = False
        pace = round(asked)
        if pace == self.pace:
            return False
        self._take(pace)
        return True

    def holds(self, asked: float) -> bool:
        """Whether a look would change nothing."""
        return round(asked) == self.pace

    def pass_over(self, end: int) -> None:
        """Go on to the first bar line at or after `end`, where nothing changes before it."""
        self.line = max(self.line, -(-end // self._bar) * self._bar)

    def _take(self, pace: int) -> None:
        self.pace = pace
        self.step = self.written / 2**pace if pace >= 0 else self.written * 2**-pace

    def carry(self) -> PacingState:
        return PacingState(self.written, self.pace, self.line, self.fresh)

    def adopt(self, carry: PacingState) -> None:
        """Go on as another one of the lane would."""
        self._take(carry.pace)
        self.line = carry.line
        self.fresh = carry.fresh
