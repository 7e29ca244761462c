"""Many draws of `bridge.music.chance` at once, each the same number that `chance.draw` gives.

A jump to a far place needs tens of thousands of draws, one for every pass of every step that chance
may leave out. Here up to 64 of them are worked out together: each stands in its own 128 bits of one
long integer, where a product of two 64-bit numbers has room, so that one multiplication of the long
integer multiplies them all. A draw takes less than a tenth of the time that way.
"""

from __future__ import annotations

from collections.abc import Iterator
from struct import unpack
from typing import NamedTuple

from bridge.music.chance import PASS, STEP, UNIT, draw

_SLOT = 128
_BYTES = _SLOT // 8
_ALONE = 6  # up to so many draws are quicker one by one
_MASK = (1 << 64) - 1
_TURNED = bytes((1, 0)) + bytes(254)
_SCALE = 2.0**53  # a draw is a whole number of 2**-53


class _Slots(NamedTuple):
    """The same number in each slot of a long integer, for some numbers."""

    size: int
    ones: int
    passes: int  # by how much the draw for each slot's pass is further than that of the first one
    steps: int  # the same for steps
    on_passes: int  # in each slot, by how much the draw is further after all of these passes
    on_steps: int  # the same for steps
    low: int  # the low 64 bits
    guard: int  # the bit above them


def _slots(count: int) -> _Slots:
    ones = sum(1 << _SLOT * place for place in range(count))
    numbers = sum(place << _SLOT * place for place in range(count))
    low = ones * _MASK
    passes, steps = numbers * PASS & low, numbers * STEP & low
    on_passes, on_steps = (ones * (stride * count & _MASK) for stride in (PASS, STEP))
    return _Slots(count, ones, passes, steps, on_passes, on_steps, low, ones << 64)


_FEW, _MANY, _MOST = _slots(16), _slots(64), _slots(128)


def _finished(z: int, low: int) -> int:
    """The finaliser of `chance.draw` for the low 64 bits of each slot. What a shift brings down
    from the slot above lies above bit 96."""
    z = (((z ^ (z >> 30)) & low) * 0xBF58476D1CE4E5B9) & low
    z = (((z ^ (z >> 27)) & low) * 0x94D049BB133111EB) & low
    return z ^ (z >> 31)


class Draws:
    """The draws of one stream for passes, or steps, that follow one another."""

    __slots__ = ("_blocks", "_slots", "_stream", "count", "pass_index", "passes", "step")

    def __init__(
        self, stream: int, pass_index: int, step: int, count: int, *, passes: bool = True
    ) -> None:
        """
        Args:
            stream: as `chance.key` made it.
            pass_index: the first pass.
            step: the first step.
            count: how many draws.
            passes: each draw is for the next pass; else for the next step of the same pass.
        """
        self.count = count
        self.passes = passes
        self._stream, self.pass_index, self.step = stream, pass_index, step
        self._blocks: list[int] | None = None
        self._slots = next((s for s in (_FEW, _MANY) if count <= s.size), _MOST)

    def _mixed(self) -> list[int]:
        if self._blocks is None:
            first = self._stream + self.pass_index * PASS + self.step * STEP
            slots = self._slots
            low = slots.low
            z, on = slots.steps, slots.on_steps
            if self.passes:
                z, on = slots.passes, slots.on_passes
            z = z + slots.ones * (first & _MASK) & low
            self._blocks = [_finished(z, low)]
            for _ in range(slots.size, self.count, slots.size):
                z = z + on & low
                self._blocks.append(_finished(z, low))
        return self._blocks

    def _one_by_one(self) -> Iterator[float]:
        for place in range(self.count):
            if self.passes:
                yield draw(self._stream, self.pass_index + place, self.step)
            else:
                yield draw(self._stream, self.pass_index, self.step + place)

    def under(self, likely: float) -> bytes:
        """A byte for each draw: 1 where it is below `likely`, else 0."""
        if likely >= 1.0:
            return b"\1" * self.count
        if likely <= 0.0:
            return bytes(self.count)
        if self.count <= _ALONE:
            return bytes(drawn < likely for drawn in self._one_by_one())
        scaled = likely * _SCALE  # exact: a power of two
        limit = int(scaled)
        if limit < scaled:
            limit += 1
        slots = self._slots
        guard, most = slots.guard, slots.ones * (limit << 11)
        size = slots.size * _BYTES
        found = b"".join(
            ((z | guard) - most).to_bytes(size, "little")[8::_BYTES] for z in self._mixed()
        )
        return found[: self.count].translate(_TURNED)  # the guard stays where it is not below

    def numbers(self) -> list[float]:
        """The draws themselves."""
        if self.count <= _ALONE:
            return list(self._one_by_one())
        size = self._slots.size * _BYTES
        found: list[float] = []
        for z in self._mixed():
            words = unpack(f"<{2 * self._slots.size}Q", z.to_bytes(size, "little"))
            found += [(word >> 11) * UNIT for word in words[::2]]
        return found[: self.count]
