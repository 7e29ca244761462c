"""The hits of a lane on its own steps, as far as they are counted: a byte a step.

On the way to a far place most of what lanes do with hits is to count them and to compare them. Both
are quick with bytes: thousands of steps are joined as one long integer. Who needs the hits one by
one goes through them as through any sequence of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import overload

from bridge.music.node import BOTH, WRITTEN, Hit
from bridge.music.ticks import step_tick


class StepHits(Sequence[Hit]):
    """Hits of which only the place on the grid matters, and in which music they exist.

    Attributes:
        flags: for each step `Hit.exists_in`, 0 where nothing hits.
        first: the number of the first of these steps.
        step: the length of a step, in ticks.
        origin: the tick from which steps are counted.
    """

    __slots__ = ("first", "flags", "origin", "step")

    def __init__(self, flags: bytes, first: int, step: Fraction, origin: int) -> None:
        self.flags = flags
        self.first = first
        self.step = step
        self.origin = origin

    def __len__(self) -> int:
        return len(self.flags) - self.flags.count(0)

    def __bool__(self) -> bool:
        return any(self.flags)

    def __iter__(self) -> Iterator[Hit]:
        upper, lower = self.step.numerator, self.step.denominator
        for place, bits in enumerate(self.flags, self.first):
            if bits:
                tick = self.origin + (2 * place * upper + lower) // (2 * lower)
                yield Hit(tick, tick, 0.0, 1, exists_in=bits)

    @overload
    def __getitem__(self, place: int) -> Hit: ...
    @overload
    def __getitem__(self, place: slice) -> Sequence[Hit]: ...
    def __getitem__(self, place: int | slice) -> Hit | Sequence[Hit]:
        return list(self)[place]

    def beside(self, other: StepHits) -> bool:
        """Whether these are flags of the same steps."""
        return (
            self.first == other.first
            and self.origin == other.origin
            and self.step == other.step
            and len(self.flags) == len(other.flags)
        )

    @property
    def bits(self) -> int:
        """The flags as one integer, the first step lowest."""
        return int.from_bytes(self.flags, "little")

    @property
    def written(self) -> int:
        """How many of the hits are written."""
        return (self.bits & everywhere(WRITTEN, len(self.flags))).bit_count()

    def last(self, ticks: int) -> list[Hit]:
        """The hits from so many ticks before the last written one on."""
        flags = self.flags
        end = max(flags.rfind(WRITTEN), flags.rfind(BOTH))
        if end < 0:
            return []
        begin = max(0, end - int(ticks / self.step) - 1)
        after = StepHits(flags[begin:], self.first + begin, self.step, self.origin)
        horizon = step_tick(self.first + end, self.step, self.origin) - ticks
        return [hit for hit in after if hit.grid >= horizon]

    def written_before_last(self, count: int) -> int:
        """The tick of the written hit that has `count` more after it."""
        flags = self.flags
        for place in range(len(flags) - 1, -1, -1):
            if flags[place] & WRITTEN:
                if not count:
                    return step_tick(self.first + place, self.step, self.origin)
                count -= 1
        raise IndexError("not so many hits")


def everywhere(bits: int, steps: int) -> int:
    """An integer with the same bits in each of so many bytes."""
    return int.from_bytes(bytes((bits,)) * steps, "little")


def joined_flags(like: StepHits, bits: int) -> StepHits:
    """Flags of the same steps as those of `like`, made of an integer."""
    size = len(like.flags)
    flags = (bits & everywhere(BOTH, size)).to_bytes(size, "little")
    return StepHits(flags, like.first, like.step, like.origin)
