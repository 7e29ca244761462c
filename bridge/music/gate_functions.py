"""The functions of logic expressions on gate signals: the same words, for signals that last.

Operands are levels that stay until they change; `evaluate` is called at every tick at which any
gate or timer changes, and what it returns holds until the next. A function that decides about a
hit decides about the whole gate, at its rising edge. Values are pairs of bits as on steps.

In the timing tables ``▔`` is high and ``▁`` low for one sixteenth; t is 3/16.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from bridge.music import chance
from bridge.music.logic_functions import (
    ACCENTS,
    LONG_AGO,
    AtLeast,
    Between,
    Exactly,
    Function,
    Masks,
    accents_of,
)
from bridge.music.node import BOTH, SOUNDING, WRITTEN

UNKNOWN = -1


@dataclass(slots=True)
class Gate:
    """The level of the operand at the last change, and which bits of its gate are let through."""

    before: int = UNKNOWN
    passing: int = 0


class GateFunction(Function):
    """A function that looks for rising edges of its first operand.

    The first evaluation tells the level that was there before anything began: a state and no edge.
    """

    state: Gate

    def fresh(self, tick: int) -> Gate:
        return Gate()

    def begin(self, tick: int) -> None:
        self.state = self.fresh(tick)

    def rewind(self, tick: int) -> None:
        # The level of the operand is no memory: a gate that is high already does not rise again.
        new = self.fresh(tick)
        new.before, new.passing = self.state.before, self.state.passing
        self.state = new

    def evaluate(self, masks: Masks, tick: int) -> int:
        given = self.part(masks, tick)
        value = given & BOTH
        state = self.state
        before = value if state.before == UNKNOWN else state.before
        state.before = value
        state.passing &= value
        return accents_of(given, self.level(masks, tick, value, before))

    def level(self, masks: Masks, tick: int, value: int, before: int) -> int:
        """The result at `tick`, where the operand becomes `value` and was `before`."""
        raise NotImplementedError


@dataclass(slots=True)
class CountedGate(Gate):
    """One that also counts the gates of its operand."""

    count: int = 0


class GateNth(GateFunction):
    """Every n-th gate of the operand, whole; with a third number k the k-th of every n."""

    state: CountedGate

    def fresh(self, tick: int) -> CountedGate:
        return CountedGate()

    def level(self, masks: Masks, tick: int, value: int, before: int) -> int:
        rising = value & ~before
        numbers = self.term.numbers
        every = int(numbers[0])
        which = int(numbers[1]) if len(numbers) > 1 else every
        state = self.state
        if rising & WRITTEN:
            state.count = state.count % every + 1
            if state.count == which:
                state.passing |= rising
        return state.passing


@dataclass(slots=True)
class TurnedGate(Gate):
    """One that is also on or off by turns."""

    on: bool = False


class GateToggle(GateFunction):
    """A flip-flop clocked by the rising edges of the operand, low at first."""

    state: TurnedGate

    def fresh(self, tick: int) -> TurnedGate:
        return TurnedGate()

    def level(self, masks: Masks, tick: int, value: int, before: int) -> int:
        if value & ~before & WRITTEN:
            self.state.on = not self.state.on
        return BOTH if self.state.on else 0


@dataclass(slots=True)
class ArmedGate(Gate):
    """`other` is the level of the second operand at the last change."""

    armed: int = BOTH
    other: int = UNKNOWN


class GateFirst(GateFunction):
    """The first gate of a that rises since b last rose; b at the same tick comes before a."""

    state: ArmedGate

    def fresh(self, tick: int) -> ArmedGate:
        return ArmedGate()

    def rewind(self, tick: int) -> None:
        other = self.state.other
        super().rewind(tick)
        self.state.other = other

    def level(self, masks: Masks, tick: int, value: int, before: int) -> int:
        other = self.parts[1](masks, tick) & BOTH
        state = self.state
        if state.other != UNKNOWN:
            state.armed |= other & ~state.other
        state.other = other
        fired = value & ~before & state.armed
        state.armed &= ~fired
        state.passing |= fired
        return state.passing


@dataclass(slots=True)
class DelayedGate(Gate):
    """The changes to come (when, and to what), the last one that was heard, and what is out."""

    waiting: list[tuple[int, int]] = field(default_factory=list)
    last: int = 0
    now: int = 0


class GateDelay(GateFunction):
    """The operand's signal, a musical time later, with its accents."""

    state: DelayedGate

    def fresh(self, tick: int) -> DelayedGate:
        return DelayedGate()

    def evaluate(self, masks: Masks, tick: int) -> int:
        value = self.part(masks, tick) & (BOTH | ACCENTS)
        state = self.state
        if state.before == UNKNOWN:
            state.before = state.last = state.now = value
        if value != state.last:
            state.last = value
            state.waiting.append((tick + self.span, value))
            self.schedule(tick + self.span)
        while state.waiting and state.waiting[0][0] <= tick:
            state.now = state.waiting.pop(0)[1]
        return state.now


@dataclass(slots=True)
class TimedGate(Gate):
    """A tick for each of the two bits: when it is over, or since when the operand is low."""

    ticks: list[int] = field(default_factory=lambda: [LONG_AGO, LONG_AGO])


class TimedFunction(GateFunction):
    """One that keeps a time for each bit."""

    state: TimedGate

    def fresh(self, tick: int) -> TimedGate:
        return TimedGate()

    def note(self, tick: int, bits: int) -> None:
        """Keep `tick` as the time of `bits`."""
        for place, bit in enumerate((WRITTEN, SOUNDING)):
            if bits & bit:
                self.state.ticks[place] = tick


class GateExtend(TimedFunction):
    """High for a musical time from each rising edge on, however long the gate is."""

    def level(self, masks: Masks, tick: int, value: int, before: int) -> int:
        rising = value & ~before
        if rising:
            self.schedule(tick + self.span)
            self.note(tick + self.span, rising)
        written, sounding = self.state.ticks
        return (WRITTEN if tick < written else 0) | (SOUNDING if tick < sounding else 0)


class GateEdge(TimedFunction):
    """The gates of the operand that rise after it has been low for a time (any time unless told;
    the time before the beginning counts)."""

    def level(self, masks: Masks, tick: int, value: int, before: int) -> int:
        self.note(tick, before & ~value)
        time = self.term.numbers[0] if self.term.numbers else 0
        for place, bit in enumerate((WRITTEN, SOUNDING)):
            if value & ~before & bit and tick - self.state.ticks[place] >= time:
                self.state.passing |= bit
        return self.state.passing


class GateGap(TimedFunction):
    """High when the operand has been low for a time, until it rises."""

    def fresh(self, tick: int) -> TimedGate:
        self.schedule(tick + self.span)
        return TimedGate(ticks=[tick, tick])

    def level(self, masks: Masks, tick: int, value: int, before: int) -> int:
        if before & ~value:
            self.note(tick, before & ~value)
            self.schedule(tick + self.span)
        result = 0
        for place, bit in enumerate((WRITTEN, SOUNDING)):
            if not value & bit and tick - self.state.ticks[place] >= self.span:
                result |= bit
        return result


class GateChance(GateFunction):
    """Lets each gate of the operand through with a probability, seeded by the tick it rises at."""

    def level(self, masks: Masks, tick: int, value: int, before: int) -> int:
        rising = value & ~before
        if rising and chance.draw(self.stream, tick, 0) < self.term.numbers[0]:
            self.state.passing |= rising
        return self.state.passing


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
