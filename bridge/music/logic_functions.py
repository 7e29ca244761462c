"""The functions of logic expressions that remember something.

Every value is a pair of bits (see `node`): bit 1 the music as written, bit 2 with the mutes as they
are. Counting functions (nth, toggle) count what is written, so that a mute never shifts them;
listening functions (first, delay, extend, between, edge, gap) keep one state for each bit.

Further bits say how what sounds is accented, and, of a state, that something in it hits.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from bridge.music import chance
from bridge.music.logic_parse import Term
from bridge.music.node import BOTH, SOUNDING, WRITTEN

HALF_ACCENT = 4
FULL_ACCENT = 8
ACCENTS = HALF_ACCENT | FULL_ACCENT
HERE = BOTH << 4
"""Set (for each of the two bits) where something in an expression hits; a state that is true there
hits as well."""

Masks = Sequence[int]
Evaluate = Callable[[Masks, int], int]
Schedule = Callable[[int], None]


def accent_bits(accent: float) -> int:
    """The bits of a hit's accent: 0, 0.5 or 1."""
    return 0 if accent <= 0.0 else FULL_ACCENT if accent >= 1.0 else HALF_ACCENT


def accent_of(value: int) -> float:
    """The accent that the bits of a value say; full where several meet."""
    return 1.0 if value & FULL_ACCENT else 0.5 if value & HALF_ACCENT else 0.0


def here(value: int) -> int:
    """The `HERE` bits of something that hits."""
    return (value & BOTH) << 4


def hits_in(value: int, own: int) -> int:
    """The hits of a state: all of it on the lane's own steps, else where something in it hits."""
    return value if own else value & ~BOTH | value & (value >> 4) & BOTH


def accents_of(value: int, result: int) -> int:
    """`result` with the accents of `value`, where it sounds."""
    return result | (value & ACCENTS) if result & SOUNDING else result


class Function:
    """A function with a memory. `parts` are its operands; every evaluation must reach it, also
    when its operands are false, and in tick order. It takes hits, and only hits change what it
    remembers. `stream` names its draws, where it has any."""

    stream = 0

    def __init__(self, parts: Sequence[Evaluate], term: Term, schedule: Schedule) -> None:
        self.parts = tuple(parts)
        self.part = parts[0]
        self.term = term
        self.schedule = schedule
        self.begin(0)

    def begin(self, tick: int) -> None:
        """Be as new; time begins at `tick`."""
        self.rewind(tick)

    def rewind(self, tick: int) -> None:
        """Forget everything, at `tick`."""

    def evaluate(self, masks: Masks, tick: int) -> int:
        raise NotImplementedError

    def carry(self) -> list[Any]:
        """The memory, as plain values."""
        return []

    def adopt(self, memory: list[Any]) -> None:
        """Take over what `carry` gave."""


class Count(Function):
    """True where enough of the operands are; each word says what is enough."""

    def evaluate(self, masks: Masks, tick: int) -> int:
        values = [part(masks, tick) for part in self.parts]
        count = int(self.term.numbers[0])
        written = self.enough(sum(value & WRITTEN != 0 for value in values), count)
        sounding = self.enough(sum(value & SOUNDING != 0 for value in values), count)
        together = 0
        for value in values:
            together |= value
        result = (WRITTEN if written else 0) | (SOUNDING if sounding else 0)
        return accents_of(together, result) | (together & HERE)

    @staticmethod
    def enough(there: int, count: int) -> bool:
        raise NotImplementedError


class AtLeast(Count):
    """True where at least n of the operands are."""

    @staticmethod
    def enough(there: int, count: int) -> bool:
        return there >= count


class Exactly(Count):
    """True where exactly n of the operands are."""

    @staticmethod
    def enough(there: int, count: int) -> bool:
        return there == count


class Nth(Function):
    """Every n-th hit of the operand; with a third number k the k-th of every n. Counts
    written hits."""

    def rewind(self, tick: int) -> None:
        self.count = 0

    def evaluate(self, masks: Masks, tick: int) -> int:
        value = self.part(masks, tick)
        if not value & WRITTEN:
            return 0
        numbers = self.term.numbers
        every = int(numbers[0])
        which = int(numbers[1]) if len(numbers) > 1 else every
        place = self.count % every + 1
        self.count = place
        return value if place == which else 0

    def carry(self) -> list[Any]:
        return [self.count]

    def adopt(self, memory: list[Any]) -> None:
        (self.count,) = memory


class Toggle(Function):
    """A flip-flop: turns over at each hit of the operand, off at first. Counts written hits."""

    def rewind(self, tick: int) -> None:
        self.on = False

    def evaluate(self, masks: Masks, tick: int) -> int:
        value = self.part(masks, tick)
        if value & WRITTEN:
            self.on = not self.on
        return accents_of(value, BOTH if self.on else 0) | here(value)

    def carry(self) -> list[Any]:
        return [self.on]

    def adopt(self, memory: list[Any]) -> None:
        (self.on,) = memory


class First(Function):
    """The first hit of a since the last hit of b; b at the same place comes before a."""

    def rewind(self, tick: int) -> None:
        self.armed = BOTH

    def evaluate(self, masks: Masks, tick: int) -> int:
        value = self.parts[0](masks, tick)
        self.armed |= self.parts[1](masks, tick) & BOTH
        fired = value & self.armed & BOTH
        self.armed &= ~fired
        return accents_of(value, fired)

    def carry(self) -> list[Any]:
        return [self.armed]

    def adopt(self, memory: list[Any]) -> None:
        (self.armed,) = memory


class Delay(Function):
    """The operand's hits, a musical time later, with their accents."""

    def rewind(self, tick: int) -> None:
        self.later = round(self.term.numbers[0])
        self.waiting: list[tuple[int, int]] = []

    def evaluate(self, masks: Masks, tick: int) -> int:
        value = self.part(masks, tick)
        if value & BOTH:
            self.waiting.append((tick + self.later, value))
            self.schedule(tick + self.later)
        result = 0
        while self.waiting and self.waiting[0][0] <= tick:
            due, arrived = self.waiting.pop(0)
            if due == tick:
                result |= arrived
        return result

    def carry(self) -> list[Any]:
        return [list(self.waiting)]

    def adopt(self, memory: list[Any]) -> None:
        self.waiting = [(due, value) for due, value in memory[0]]


class Extend(Function):
    """True from each hit of the operand on, for a musical time (counted anew by every hit)."""

    def rewind(self, tick: int) -> None:
        self.until = [0, 0]

    def evaluate(self, masks: Masks, tick: int) -> int:
        value = self.part(masks, tick)
        end = tick + round(self.term.numbers[0])
        if value & WRITTEN:
            self.until[0] = end
        if value & SOUNDING:
            self.until[1] = end
        if value & BOTH:
            self.schedule(end)
        held = (WRITTEN if tick < self.until[0] else 0) | (SOUNDING if tick < self.until[1] else 0)
        return accents_of(value, held) | here(value)

    def carry(self) -> list[Any]:
        return list(self.until)

    def adopt(self, memory: list[Any]) -> None:
        self.until = list(memory)


class Between(Function):
    """On from a hit of `start` until a hit of `end`; `end` wins when both come at once."""

    def rewind(self, tick: int) -> None:
        self.state = 0

    def evaluate(self, masks: Masks, tick: int) -> int:
        on, off = (part(masks, tick) for part in self.parts)
        self.state = (self.state | on) & ~off & BOTH
        return accents_of(on, self.state) | here(on | off)

    def carry(self) -> list[Any]:
        return [self.state]

    def adopt(self, memory: list[Any]) -> None:
        (self.state,) = memory


class Edge(Function):
    """Where the operand becomes true: a hit with none in the time before (one step unless told)."""

    def rewind(self, tick: int) -> None:
        self.last = [-1 << 40, -1 << 40]

    def evaluate(self, masks: Masks, tick: int) -> int:
        value = self.part(masks, tick)
        result = 0
        # Places are rounded to whole ticks, so a step may seem one tick too long.
        since = tick - self.term.numbers[0] - 1
        if value & WRITTEN:
            result |= WRITTEN if self.last[0] < since else 0
            self.last[0] = tick
        if value & SOUNDING:
            result |= SOUNDING if self.last[1] < since else 0
            self.last[1] = tick
        return accents_of(value, result)

    def carry(self) -> list[Any]:
        return list(self.last)

    def adopt(self, memory: list[Any]) -> None:
        self.last = list(memory)


class Gap(Function):
    """One hit when the operand has been silent for a time; the beginning counts as a hit."""

    def rewind(self, tick: int) -> None:
        self.time = round(self.term.numbers[0])
        self.since = [tick, tick]
        self.done = [False, False]
        self.schedule(tick + self.time)

    def evaluate(self, masks: Masks, tick: int) -> int:
        value = self.part(masks, tick)
        if value & BOTH:
            self.schedule(tick + self.time)
        result = 0
        for place, bit in enumerate((WRITTEN, SOUNDING)):
            if value & bit:
                self.since[place] = tick
                self.done[place] = False
            elif not self.done[place] and tick >= self.since[place] + self.time:
                self.done[place] = True
                result |= bit
        return result

    def carry(self) -> list[Any]:
        return [list(self.since), list(self.done)]

    def adopt(self, memory: list[Any]) -> None:
        self.since, self.done = list(memory[0]), list(memory[1])


class Chance(Function):
    """Lets each hit of the operand through with a probability; seeded by lane, place in the
    expression and tick, so the same night plays again."""

    def evaluate(self, masks: Masks, tick: int) -> int:
        value = self.part(masks, tick)
        if value & BOTH and chance.draw(self.stream, tick, 0) >= self.term.numbers[0]:
            return 0
        return value


FUNCTIONS: dict[str, type[Function]] = {
    "at-least": AtLeast,
    "exactly": Exactly,
    "nth": Nth,
    "toggle": Toggle,
    "first": First,
    "delay": Delay,
    "extend": Extend,
    "between": Between,
    "edge": Edge,
    "gap": Gap,
    "chance": Chance,
}
