"""The functions of logic expressions that make hits of values.

They take a line, the name of a lane of values, and look at it on each step of the derived lane's
own rate, so that what they say depends on the steps alone and not on what else is looked at.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

from bridge.music.logic_functions import Function, Masks
from bridge.music.logic_parse import Term
from bridge.music.node import BOTH, Trace
from bridge.music.ticks import first_step_from, step_tick

TREMBLE = 1e-9
"""A line that moves by less has not moved: rounding makes no hits."""


@dataclass(slots=True)
class Looked:
    """What was found on the step before: whether it was true, and the value."""

    on: bool = False
    last: float | None = None


class Comparator(Function):
    """Hits made of a value: a lane of values (a line) is looked at on each step of the derived
    lane's own rate; between two steps the answer stays. Mutes of the line do not count."""

    state: Looked

    def __init__(self, line: Callable[[int], float], term: Term) -> None:
        """`line` is asked for the value at a tick, on the lane's own steps only."""
        self.line = line
        self.term = term
        self.levels = [float(number) for number in term.numbers]
        self.state = Looked()

    def fresh(self, tick: int) -> Looked:
        return Looked()

    def evaluate(self, masks: Masks, tick: int) -> int:
        if masks[-1]:
            value = self.line(tick)
            self.state = Looked(self.compare(value), value)
        return BOTH if self.state.on else 0

    def compare(self, value: float) -> bool:
        """Whether it is true with this value; the state is that of the step before."""
        raise NotImplementedError

    def decided(self, value: float) -> bool | None:
        """Whether it is true with this value, where that does not depend on the step before; else
        None: it stays as it was. Only for those with levels."""
        was, found = self.state, []
        for on in (False, True):
            self.state = Looked(on, was.last)
            found.append(self.compare(value))
        self.state = was
        return found[0] if found[0] == found[1] else None

    def follow(self, trace: Trace, step: Fraction, start: int, end: int) -> None:
        """
        Stand as after looking at each step of a window, where that is true in the middle between
        two levels as it was before. Only for those with two levels.

        Args:
            trace: the line.
            step: the length of a step of the derived lane.
            start: the first tick of the window.
            end: the tick after its last.
        """
        first, until = first_step_from(start, step), first_step_from(end, step)
        last: float | None = None
        for place in range(len(trace.values) - 1, -2, -1):
            value, begin = trace.before, first
            if place >= 0:
                value = trace.values[place]
                tick = step_tick(trace.first + place, trace.step, trace.origin)
                begin = max(first, first_step_from(tick, step))
            if begin >= until:
                continue  # nobody looks at this value
            until = begin
            last = value if last is None else last
            decided = self.decided(value)
            if decided is not None:
                self.state = Looked(decided, last)
                return
        if last is not None:
            self.state = Looked(self.state.on, last)


class Above(Comparator):
    """True from where the line is above a level."""

    def compare(self, value: float) -> bool:
        return value > self.levels[-1 if self.state.on else 0]


class Below(Comparator):
    """True from where the line is below a level."""

    def compare(self, value: float) -> bool:
        return value < self.levels[-1 if self.state.on else 0]


class Rising(Comparator):
    """True where the line is higher than one step before."""

    def compare(self, value: float) -> bool:
        last = self.state.last
        return last is not None and value > last + TREMBLE


class Falling(Comparator):
    """True where the line is lower than one step before."""

    def compare(self, value: float) -> bool:
        last = self.state.last
        return last is not None and value < last - TREMBLE


class Changed(Comparator):
    """One hit at each step on which the line has another value than one step before."""

    def evaluate(self, masks: Masks, tick: int) -> int:
        return super().evaluate(masks, tick) if masks[-1] else 0

    def compare(self, value: float) -> bool:
        last = self.state.last
        return last is not None and abs(value - last) > TREMBLE


COMPARATORS: dict[str, type[Comparator]] = {
    "above": Above,
    "below": Below,
    "rising": Rising,
    "falling": Falling,
    "changed": Changed,
}
