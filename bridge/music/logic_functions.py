"""The functions of logic expressions that remember something.

Every value is a pair of bits (see `node`): bit 1 the music as written, bit 2 with the mutes as they
are. Counting functions (nth, toggle) count what is written, so that a mute never shifts them;
listening functions (first, delay, extend, between, edge, gap) keep one state for each bit.

Further bits say how what sounds is accented, and, of a state, that something in it hits.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from bridge.music import chance
from bridge.music.logic_parse import Term
from bridge.music.node import BOTH, SOUNDING, WRITTEN
from bridge.music.states import copied

HALF_ACCENT = 4
FULL_ACCENT = 8
ACCENTS = HALF_ACCENT | FULL_ACCENT
HERE = BOTH << 4
"""Set (for each of the two bits) where something in an expression hits; a state that is true there
hits as well."""

LONG_AGO = -1 << 40
"""Before any tick that is played."""

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
    remembers: its `state`, a dataclass of its own kind. `span` is its first number as whole ticks,
    for those whose first number is a time. `stream` names its draws, where it has any."""

    stream = 0
    state: object = None

    def __init__(self, parts: Sequence[Evaluate], term: Term, schedule: Schedule) -> None:
        self.parts = tuple(parts)
        self.part = parts[0]
        self.term = term
        self.span = round(term.numbers[0]) if term.numbers else 0
        self.schedule = schedule
        self.begin(0)

    def fresh(self, tick: int) -> object:
        """The state of one that has heard nothing yet, at `tick`."""
        return None

    def begin(self, tick: int) -> None:
        """Be as new; time begins at `tick`."""
        self.rewind(tick)

    def rewind(self, tick: int) -> None:
        """Forget everything, at `tick`."""
        self.state = self.fresh(tick)

    def evaluate(self, masks: Masks, tick: int) -> int:
        raise NotImplementedError

    def count(self, hits: int) -> None:
        """Take so many written hits of the operand at once; for those that only count them."""
        raise NotImplementedError

    def carry(self) -> object:
        """A copy of the state, for a function of the same term to `adopt`."""
        return copied(self.state)

    def adopt(self, state: object) -> None:
        """Go on as the function that `carry` was asked of."""
        self.state = copied(state)


@dataclass(slots=True)
class Counted:
    """How many of n have come."""

    count: int = 0


@dataclass(slots=True)
class Turned:
    """Whether a flip-flop is on."""

    on: bool = False


@dataclass(slots=True)
class Bits:
    """A pair of bits that stays between two hits."""

    bits: int


@dataclass(slots=True)
class Waiting:
    """What is delayed: when it is due, and its bits."""

    waiting: list[tuple[int, int]] = field(default_factory=list)


@dataclass(slots=True)
class Times:
    """A tick for each of the two bits: what is written, and what sounds."""

    ticks: list[int]


@dataclass(slots=True)
class Silence:
    """For each of the two bits since when nothing has hit, and whether that was told."""

    since: list[int]
    told: list[bool] = field(default_factory=lambda: [False, False])


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

    state: Counted

    def fresh(self, tick: int) -> Counted:
        return Counted()

    def evaluate(self, masks: Masks, tick: int) -> int:
        value = self.part(masks, tick)
        if not value & WRITTEN:
            return 0
        numbers = self.term.numbers
        every = int(numbers[0])
        which = int(numbers[1]) if len(numbers) > 1 else every
        state = self.state
        state.count = state.count % every + 1
        return value if state.count == which else 0

    def count(self, hits: int) -> None:
        if hits:
            self.state.count = (self.state.count + hits - 1) % int(self.term.numbers[0]) + 1


class Toggle(Function):
    """A flip-flop: turns over at each hit of the operand, off at first. Counts written hits."""

    state: Turned

    def fresh(self, tick: int) -> Turned:
        return Turned()

    def evaluate(self, masks: Masks, tick: int) -> int:
        value = self.part(masks, tick)
        if value & WRITTEN:
            self.state.on = not self.state.on
        return accents_of(value, BOTH if self.state.on else 0) | here(value)

    def count(self, hits: int) -> None:
        self.state.on ^= bool(hits % 2)


class First(Function):
    """The first hit of a since the last hit of b; b at the same place comes before a."""

    state: Bits

    def fresh(self, tick: int) -> Bits:
        return Bits(BOTH)

    def evaluate(self, masks: Masks, tick: int) -> int:
        value = self.parts[0](masks, tick)
        armed = self.state.bits | (self.parts[1](masks, tick) & BOTH)
        fired = value & armed & BOTH
        self.state.bits = armed & ~fired
        return accents_of(value, fired)


class Delay(Function):
    """The operand's hits, a musical time later, with their accents."""

    state: Waiting

    def fresh(self, tick: int) -> Waiting:
        return Waiting()

    def evaluate(self, masks: Masks, tick: int) -> int:
        value = self.part(masks, tick)
        waiting = self.state.waiting
        if value & BOTH:
            waiting.append((tick + self.span, value))
            self.schedule(tick + self.span)
        result = 0
        while waiting and waiting[0][0] <= tick:
            due, arrived = waiting.pop(0)
            if due == tick:
                result |= arrived
        return result


class Extend(Function):
    """True from each hit of the operand on, for a musical time (counted anew by every hit)."""

    state: Times

    def fresh(self, tick: int) -> Times:
        return Times([0, 0])

    def evaluate(self, masks: Masks, tick: int) -> int:
        value = self.part(masks, tick)
        end = tick + self.span
        until = self.state.ticks
        if value & WRITTEN:
            until[0] = end
        if value & SOUNDING:
            until[1] = end
        if value & BOTH:
            self.schedule(end)
        held = (WRITTEN if tick < until[0] else 0) | (SOUNDING if tick < until[1] else 0)
        return accents_of(value, held) | here(value)


class Between(Function):
    """On from a hit of `start` until a hit of `end`; `end` wins when both come at once."""

    state: Bits

    def fresh(self, tick: int) -> Bits:
        return Bits(0)

    def evaluate(self, masks: Masks, tick: int) -> int:
        on, off = (part(masks, tick) for part in self.parts)
        latched = self.state.bits = (self.state.bits | on) & ~off & BOTH
        return accents_of(on, latched) | here(on | off)


class Edge(Function):
    """Where the operand becomes true: a hit with none in the time before (one step unless told)."""

    state: Times

    def fresh(self, tick: int) -> Times:
        return Times([LONG_AGO, LONG_AGO])

    def evaluate(self, masks: Masks, tick: int) -> int:
        value = self.part(masks, tick)
        last = self.state.ticks
        result = 0
        # Places are rounded to whole ticks, so a step may seem one tick too long.
        since = tick - self.term.numbers[0] - 1
        if value & WRITTEN:
            result |= WRITTEN if last[0] < since else 0
            last[0] = tick
        if value & SOUNDING:
            result |= SOUNDING if last[1] < since else 0
            last[1] = tick
        return accents_of(value, result)


class Gap(Function):
    """One hit when the operand has been silent for a time; the beginning counts as a hit."""

    state: Silence

    def fresh(self, tick: int) -> Silence:
        return Silence([tick, tick])

    def rewind(self, tick: int) -> None:
        super().rewind(tick)
        self.schedule(tick + self.span)

    def evaluate(self, masks: Masks, tick: int) -> int:
        value = self.part(masks, tick)
        if value & BOTH:
            self.schedule(tick + self.span)
        since, told = self.state.since, self.state.told
        result = 0
        for place, bit in enumerate((WRITTEN, SOUNDING)):
            if value & bit:
                since[place] = tick
                told[place] = False
            elif not told[place] and tick >= since[place] + self.span:
                told[place] = True
                result |= bit
        return result


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
