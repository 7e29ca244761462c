"""Derived lanes on gates: logic as hardware computes it from the gate signals themselves.

The gate of a lane is high from each hit, where it sounds (swing, shift, humanise and repeats
included), for its length; gates of one lane that overlap or touch are one. The expression follows
these signals exactly, tick by tick: it is worked out at every change of any of them. Each rising
edge of the result becomes a hit, as long as the result stays high (unless the lane has a gate
length of its own). Two changes at the same tick are one change: no spikes come from a gate that
falls where another rises.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from heapq import heappop, heappush
from typing import Any

from bridge.music import chance
from bridge.music.gate_functions import GATE_FUNCTIONS
from bridge.music.hit_node import HitNode
from bridge.music.logic import Expression
from bridge.music.logic_parse import Term
from bridge.music.model import OutputRange, SetSpec
from bridge.music.node import SOUNDING, WRITTEN, Hit, Window, steps_of


class GatesNode(HitNode):
    """
    A derived lane that works on gates.

    `lag` is how much earlier than its grid tick a source may sound: a change at a tick is only
    certain when the grid has come that much further, so hits stand on the grid at ``tick + lag``.
    The renderer sets it.
    """

    def __init__(
        self,
        lane: int,
        spec: SetSpec,
        step: Fraction,
        term: Term,
        positions: dict[str, int],
        reset: int | None = None,
        outputs: dict[str, OutputRange] | None = None,
    ) -> None:
        super().__init__(lane, spec, step)
        written = self.written_lane
        self.expression = Expression(term, step, spec.seed, written.name, GATE_FUNCTIONS)
        self.slots = tuple((positions[name], before) for name, before in self.expression.leaves)
        self.pulses = tuple(
            _pulse_ms(spec.lanes[place].out, outputs or {}) for place, _ in self.slots
        )
        self.reset_by = reset
        self.reset_ticks = written.reset * spec.bar_ticks if isinstance(written.reset, int) else 0
        reads = {place for place, _ in self.slots} | ({reset} if reset is not None else set())
        self.reads = tuple(sorted(reads))
        self.own_gate = bool({"gate", "gate_ms"} & set(written.settings))
        self.lag = 0
        self.rewind()

    # --- state ---

    def rewind(self) -> None:
        self.expression.rewind(0)
        width = len(self.slots)
        # Gates to come (tick, slot, bits, end, accent), and when those that have begun may end.
        self.starts: list[tuple[int, int, int, int, bool]] = []
        self.ends: list[int] = []
        self.until = [[0, 0] for _ in range(width)]
        self.accented = [False] * width
        self.value = self._first_value()
        self.fell = [0, 0]  # when each bit first fell
        self.resets: list[int] = []
        self.done = 0
        self.next_reset = self.reset_ticks
        self.hand = -1
        self.version = -1

    def _first_value(self) -> int:
        """What the result was before anything began: not an edge, but a state."""
        memory = self.expression.carry()
        value = self.expression.evaluate([0] * len(self.slots), -1)
        self.expression.adopt(memory)
        return value

    def carry(self) -> dict[str, Any]:
        return {
            "gates": self.expression.carry(),
            "starts": list(self.starts),
            "ends": list(self.ends),
            "until": [list(pair) for pair in self.until],
            "accented": list(self.accented),
            "value": self.value,
            "done": self.done,
            "resets": list(self.resets),
            "next_reset": self.next_reset,
            "hand": self.hand,
            "lag": self.lag,
        }

    def adopt(self, carry: dict[str, Any]) -> None:
        at = carry.get("at", 0)
        self.rewind()
        if "gates" in carry and self.expression.adopt(carry["gates"]):
            self.starts = list(carry["starts"])
            self.ends = list(carry["ends"])
            self.until = [list(pair) for pair in carry["until"]]
            self.accented = list(carry["accented"])
            self.value = carry["value"]
            self.done = carry["done"]
            self.resets = list(carry["resets"])
            self.next_reset = carry["next_reset"]
            self.hand = carry["hand"]
            self.lag = carry["lag"]
            return
        self.expression.rewind(at)
        self.done = at
        if self.reset_ticks:
            self.next_reset = (at // self.reset_ticks + 1) * self.reset_ticks

    # --- running ---

    def run(self, window: Window) -> None:
        if window.version != self.version:
            self.read_all(window)
        if self._quiet(window):
            return
        out: list[Hit] = []
        window.hits[self.lane] = out
        self._hear(window)
        waiting = self._follow(window, out)
        for bit in (WRITTEN, SOUNDING):
            if bit not in waiting:
                continue
            place, rose = waiting[bit]
            if bit == SOUNDING or not out[place].there & SOUNDING:
                out[place] = out[place]._replace(length=self._lasting(window, bit, rose))
        self.finish(window, out)

    def _quiet(self, window: Window) -> bool:
        """Whether nothing begins or changes in this window."""
        hits = window.hits
        for lane in self.reads:
            if hits.get(lane):
                return False
        horizon = max(self.done, window.end - self.lag)
        if self.starts and self.starts[0][0] < horizon:
            return False
        for heap in (self.expression.timers, self.ends, self.resets):
            if heap and heap[0] < horizon:
                return False
        if self.reset_ticks and self.next_reset < window.end:
            return False
        if window.reset_by_hand(self.lane) > self.hand:
            return False
        self.done = horizon
        return True

    def _hear(self, window: Window) -> None:
        """Note the gates that begin in this window."""
        for slot, (lane, before) in enumerate(self.slots):
            pulse = self.pulses[slot]
            for hit in window.hits.get(lane, ()):
                mask = hit.there
                if not before and mask & SOUNDING and window.muted(lane, hit.grid):
                    mask &= ~SOUNDING
                if mask:
                    length = max(1, round(window.ms(pulse))) if pulse else hit.length
                    tick = max(hit.tick, self.done)
                    heappush(self.starts, (tick, slot, mask, hit.tick + length, hit.accent))

    def _follow(self, window: Window, out: list[Hit]) -> dict[int, tuple[int, int]]:
        """Go through all changes that are certain. By bit, the hit whose end is not known yet: its
        place in `out`, and when the result rose (the hit may sound at another time: a gate that is
        shifted is as long as before)."""
        horizon = max(self.done, window.end - self.lag)
        timers = self.expression.timers
        resets = self._resets(window)
        open_hits: dict[int, tuple[int, int]] = {}
        while True:
            tick = horizon
            for heap in (timers, self.ends, resets):
                if heap and heap[0] < tick:
                    tick = heap[0]
            if self.starts and self.starts[0][0] < tick:
                tick = self.starts[0][0]
            if tick >= horizon:
                break
            while resets and resets[0] <= tick:
                self.expression.rewind(resets.pop(0))
            masks = self._masks(tick)
            before, self.value = self.value, self.expression.evaluate(masks, tick)
            rising = self.value & ~before
            falling = before & ~self.value
            for bit in (WRITTEN, SOUNDING):
                if falling & bit:
                    self.fell[bit - 1] = self.fell[bit - 1] or tick
                    place, rose = open_hits.pop(bit, (-1, 0))
                    if place >= 0 and (bit == SOUNDING or not out[place].there & SOUNDING):
                        length = min(tick - rose, self.longest)
                        out[place] = out[place]._replace(length=length)
            if rising:
                count = len(out)
                self._play(window, out, tick, rising, masks)
                if len(out) == count + 1 and not self.own_gate and not self.alone:
                    open_hits.update(
                        {bit: (count, tick) for bit in (WRITTEN, SOUNDING) if rising & bit}
                    )
        self.resets = resets
        self.done = horizon
        return open_hits

    def _masks(self, tick: int) -> list[int]:
        """The gates at `tick`, after all that changes there has changed."""
        for heap in (self.expression.timers, self.ends):
            while heap and heap[0] <= tick:
                heappop(heap)
        while self.starts and self.starts[0][0] <= tick:
            _, slot, mask, end, accent = heappop(self.starts)
            if end <= tick:
                continue
            for place, bit in enumerate((WRITTEN, SOUNDING)):
                if mask & bit and end > self.until[slot][place]:
                    self.until[slot][place] = end
                    heappush(self.ends, end)
            self.accented[slot] = accent
        return [
            (WRITTEN if tick < until[0] else 0) | (SOUNDING if tick < until[1] else 0)
            for until in self.until
        ]

    def _resets(self, window: Window) -> list[int]:
        resets = self.resets
        if self.reset_by is not None:
            resets += [hit.grid for hit in steps_of(window.hits.get(self.reset_by, ()))]
        while self.reset_ticks and self.next_reset < window.end:
            resets.append(self.next_reset)
            self.next_reset += self.reset_ticks
        hand = window.reset_by_hand(self.lane)
        if self.hand < hand < window.end:
            self.hand = hand
            resets.append(hand)
        resets.sort()
        return [max(tick, self.done) for tick in resets]

    def _play(
        self, window: Window, out: list[Hit], tick: int, there: int, masks: Sequence[int]
    ) -> None:
        grid = max(tick + self.lag, window.start)
        if self.loose_hit:
            self.read_loose(window, grid)
        on = self.passes_on
        if on is not None and tick // self.bar_ticks % self.passes_of + 1 not in on:
            return
        if self.density < 0.5 and chance.draw(self.level_key, tick, 1) >= 2.0 * self.density:
            return
        if self.chance < 1.0 and chance.draw(self.chance_key, tick, 0) >= self.chance:
            return
        high = [slot for slot, mask in enumerate(masks) if mask & there]
        weight = 1.0 if any(self.accented[slot] for slot in high) else 0.0
        if self.accents:
            step = tick * self.step.denominator // self.step.numerator
            weight = self.accents[step % len(self.accents)] / 2.0
        causes = tuple(dict.fromkeys(self.slots[slot][0] for slot in high))
        count = len(out)
        self.sound(window, out, tick, tick, 0, weight, causes, there)
        for place in range(count, len(out)):
            hit = out[place]
            feel = hit.feel._replace(offset=hit.feel.offset + tick - grid)
            out[place] = hit._replace(grid=grid, feel=feel)

    # --- how long it stays high ---

    def _lasting(self, window: Window, bit: int, tick: int) -> int:
        """Play ahead until the result falls: some bars at most. Ticks from `tick` on."""
        for twin, part in window.ahead(self.lane, window):
            assert isinstance(twin, GatesNode)
            fell = twin.fell[bit - 1]
            if fell:
                return min(fell - tick, self.longest)
            if part.end >= tick + self.longest:
                break
        return self.longest


def _pulse_ms(out: str | None, outputs: dict[str, OutputRange]) -> float:
    return outputs[out].pulse_ms if out is not None and out in outputs else 0.0
