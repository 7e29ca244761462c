"""The functions of logic expressions on gate signals: the same words, for signals that last.

Operands are levels that stay until they change; `evaluate` is called at every tick at which any
gate or timer changes, and what it returns holds until the next. A function that decides about a
hit decides about the whole gate, at its rising edge. Values are pairs of bits as on steps.

In the timing tables ``▔`` is high and ``▁`` low for one sixteenth; t is 3/16.
"""

from __future__ import annotations

from typing import Any

from bridge.music import chance
from bridge.music.logic_functions import (
    ACCENTS,
    AtLeast,
    Between,
    Exactly,
    Function,
    Masks,
    accents_of,
)
from bridge.music.node import BOTH, SOUNDING, WRITTEN

LONG_AGO = -1 << 40
UNKNOWN = -1


class GateFunction(Function):
    """A function that looks for rising edges of its first operand.

    The first evaluation tells the level that was there before anything began: a state and no edge.
    """

    def begin(self, tick: int) -> None:
        self.before = UNKNOWN
        self.passing = 0
        self.rewind(tick)

    def rewind(self, tick: int) -> None:
        # The level of the operand is no memory: a gate that is high already does not rise again.
        self.forget(tick)

    def forget(self, tick: int) -> None:
        """Forget what the function itself remembers."""

    def evaluate(self, masks: Masks, tick: int) -> int:
        given = self.part(masks, tick)
        value = given & BOTH
        before = value if self.before == UNKNOWN else self.before
        self.before = value
        self.passing &= value
        return accents_of(given, self.level(masks, tick, value, before))

    def level(self, masks: Masks, tick: int, value: int, before: int) -> int:
        """The result at `tick`, where the operand becomes `value` and was `before`."""
        raise NotImplementedError

    def carry(self) -> list[Any]:
        return [self.before, self.passing, self.memory()]

    def adopt(self, memory: list[Any]) -> None:
        self.before, self.passing, own = memory
        self.remember(own)

    def memory(self) -> Any:
        return None

    def remember(self, own: Any) -> None:
        """Take over what `memory` gave."""


class GateNth(GateFunction):
    """Every n-th gate of the operand, whole; with a third number k the k-th of every n."""

    def forget(self, tick: int) -> None:
        self.count = 0

    def level(self, masks: Masks, tick: int, value: int, before: int) -> int:
        rising = value & ~before
        numbers = self.term.numbers
        every = int(numbers[0])
        which = int(numbers[1]) if len(numbers) > 1 else every
        if rising & WRITTEN:
            self.count = self.count % every + 1
            if self.count == which:
                self.passing |= rising
        return self.passing

    def memory(self) -> Any:
        return self.count

    def remember(self, own: Any) -> None:
        self.count = own


class GateToggle(GateFunction):
    """A flip-flop clocked by the rising edges of the operand, low at first."""

    def forget(self, tick: int) -> None:
        self.on = False

    def level(self, masks: Masks, tick: int, value: int, before: int) -> int:
        if value & ~before & WRITTEN:
            self.on = not self.on
        return BOTH if self.on else 0

    def memory(self) -> Any:
        return self.on

    def remember(self, own: Any) -> None:
        self.on = own


class GateFirst(GateFunction):
    """The first gate of a that rises since b last rose; b at the same tick comes before a."""

    def begin(self, tick: int) -> None:
        self.other = UNKNOWN
        super().begin(tick)

    def forget(self, tick: int) -> None:
        self.armed = BOTH

    def level(self, masks: Masks, tick: int, value: int, before: int) -> int:
        other = self.parts[1](masks, tick) & BOTH
        if self.other != UNKNOWN:
            self.armed |= other & ~self.other
        self.other = other
        fired = value & ~before & self.armed
        self.armed &= ~fired
        self.passing |= fired
        return self.passing

    def memory(self) -> Any:
        return self.armed, self.other

    def remember(self, own: Any) -> None:
        self.armed, self.other = own


class GateDelay(GateFunction):
    """The operand's signal, a musical time later, with its accents."""

    def forget(self, tick: int) -> None:
        self.later = round(self.term.numbers[0])
        self.waiting: list[tuple[int, int]] = []
        self.last = 0
        self.now = 0

    def evaluate(self, masks: Masks, tick: int) -> int:
        value = self.part(masks, tick) & (BOTH | ACCENTS)
        if self.before == UNKNOWN:
            self.before = self.last = self.now = value
        if value != self.last:
            self.last = value
            self.waiting.append((tick + self.later, value))
            self.schedule(tick + self.later)
        while self.waiting and self.waiting[0][0] <= tick:
            self.now = self.waiting.pop(0)[1]
        return self.now

    def memory(self) -> Any:
        return list(self.waiting), self.last, self.now

    def remember(self, own: Any) -> None:
        waiting, self.last, self.now = own
        self.waiting = list(waiting)


class GateExtend(GateFunction):
    """High for a musical time from each rising edge on, however long the gate is."""

    def forget(self, tick: int) -> None:
        self.until = [LONG_AGO, LONG_AGO]

    def level(self, masks: Masks, tick: int, value: int, before: int) -> int:
        rising = value & ~before
        if rising:
            end = tick + round(self.term.numbers[0])
            self.schedule(end)
            if rising & WRITTEN:
                self.until[0] = end
            if rising & SOUNDING:
                self.until[1] = end
        return (WRITTEN if tick < self.until[0] else 0) | (SOUNDING if tick < self.until[1] else 0)

    def memory(self) -> Any:
        return list(self.until)

    def remember(self, own: Any) -> None:
        self.until = list(own)


class GateSilence(GateFunction):
    """Since when the operand has been low, bit by bit."""

    def forget(self, tick: int) -> None:
        self.low = [LONG_AGO, LONG_AGO]

    def note_falls(self, tick: int, falling: int) -> None:
        for place, bit in enumerate((WRITTEN, SOUNDING)):
            if falling & bit:
                self.low[place] = tick

    def memory(self) -> Any:
        return list(self.low)

    def remember(self, own: Any) -> None:
        self.low = list(own)


class GateEdge(GateSilence):
    """The gates of the operand that rise after it has been low for a time (any time unless told;
    the time before the beginning counts)."""

    def level(self, masks: Masks, tick: int, value: int, before: int) -> int:
        self.note_falls(tick, before & ~value)
        time = self.term.numbers[0] if self.term.numbers else 0
        for place, bit in enumerate((WRITTEN, SOUNDING)):
            if value & ~before & bit and tick - self.low[place] >= time:
                self.passing |= bit
        return self.passing


class GateGap(GateSilence):
    """High when the operand has been low for a time, until it rises."""

    def forget(self, tick: int) -> None:
        self.low = [tick, tick]
        self.time = round(self.term.numbers[0])
        self.schedule(tick + self.time)

    def level(self, masks: Masks, tick: int, value: int, before: int) -> int:
        if before & ~value:
            self.note_falls(tick, before & ~value)
            self.schedule(tick + self.time)
        result = 0
        for place, bit in enumerate((WRITTEN, SOUNDING)):
            if not value & bit and tick - self.low[place] >= self.time:
                result |= bit
        return result


class GateChance(GateFunction):
    """Lets each gate of the operand through with a probability, seeded by the tick it rises at."""

    def level(self, masks: Masks, tick: int, value: int, before: int) -> int:
        rising = value & ~before
        if rising and chance.draw(self.stream, tick, 0) < self.term.numbers[0]:
            self.passing |= rising
        return self.passing


GATE_FUNCTIONS: dict[str, type[Function]] = {
    "at-least": AtLeast,
    "exactly": Exactly,
    "between": Between,
    "nth": GateNth,
    "toggle": GateToggle,
    "first": GateFirst,
    "delay": GateDelay,
    "extend": GateExtend,
    "edge": GateEdge,
    "gap": GateGap,
    "chance": GateChance,
}
