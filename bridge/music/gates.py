"""Derived lanes on gates: logic as hardware computes it from the gate signals themselves.

The gate of a lane is high from each hit, where it sounds (swing, shift, humanise and repeats
included), for its length; gates of one lane that overlap or touch are one. The expression follows
these signals exactly, tick by tick: it is worked out at every change of any of them. Each rising
edge of the result becomes a hit, as long as the result stays high (unless the lane has a gate
length of its own). Two changes at the same tick are one change: no spikes come from a gate that
falls where another rises.

A lane on gates that reads another one reads its signal as it is: high before its first hit, and for
as long as it lasts. Only a lane that changes its gates by settings of its own is read by the gates
that it plays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from fractions import Fraction
from heapq import heappop, heappush

from bridge.music import chance
from bridge.music.gate_functions import GATE_FUNCTIONS, UNKNOWN
from bridge.music.hit_node import HitNode
from bridge.music.logic_functions import ACCENTS, accent_bits, accent_of, accents_of
from bridge.music.logic_parse import Term
from bridge.music.logic_tree import Expression, ExpressionState
from bridge.music.model import SETTINGS, OutputRange, SetSpec
from bridge.music.node import BOTH, SOUNDING, WRITTEN, Hit, Signal, Window, steps_of
from bridge.music.states import copied

SHAPING = (
    *("chance", "density", "gate", "gate_ms", "repeats"),
    *("swing", "shift", "shift_ms", "humanise_ms"),
)
"""Settings that make the gates of a lane other than its logic says."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GatesState:
    """Where a derived lane on gates stands: its expression, every how many ticks it is reset, and
    of the rest what the fields of `GatesNode` with these names say."""

    expression: ExpressionState
    reset_ticks: int
    starts: list[tuple[int, int, int, int, int]]
    ends: list[int]
    until: list[list[int]]
    accented: list[int]
    turns: list[tuple[int, int, int, int]]
    turned: int
    promised: list[int]
    unheard: list[bool]
    signals: list[int]
    value: int
    own_accent: int
    resets: list[int]
    done: int
    next_reset: int
    reset_at: int
    hand: int
    lag: int


_KEPT = fields(GatesState)[2:]


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
        self.expression = Expression(term, spec.seed, written.name, None, GATE_FUNCTIONS)
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
        self.shaped = False
        self.rewind()

    # --- state ---

    def rewind(self) -> None:
        self.expression.begin(0)
        width = len(self.slots)
        # Gates to come (tick, slot, bits, end, accent), and when those that have begun may end.
        self.starts: list[tuple[int, int, int, int, int]] = []
        self.ends: list[int] = []
        self.until = [[0, 0] for _ in range(width)]
        self.accented = [0] * width
        # Signals that are read: changes to come (tick, order, slot, value), and as they are.
        self.turns: list[tuple[int, int, int, int]] = []
        self.turned = 0
        self.promised = [0] * width
        self.unheard = [False] * width
        self.signals = [0] * width
        self.value = UNKNOWN
        self.own_accent = 0
        self.fell = [0, 0]  # when each bit first fell
        self.resets: list[int] = []
        self.done = 0
        self.next_reset = self.reset_ticks
        self.reset_at = 0
        self.hand = -1
        self.version = -1

    def carry(self) -> GatesState:
        kept = {field.name: copied(getattr(self, field.name)) for field in _KEPT}
        return GatesState(expression=self.expression.carry(), reset_ticks=self.reset_ticks, **kept)

    def adopt(self, carry: object, at: int) -> None:
        self.rewind()
        if isinstance(carry, GatesState) and self.expression.adopt(carry.expression):
            for field in _KEPT:
                setattr(self, field.name, copied(getattr(carry, field.name)))
            if carry.reset_ticks != self.reset_ticks:
                self.next_reset = self.reset_ticks
                self._first_reset(at)
            return
        self.expression.begin(at)
        self.done = at
        self._first_reset(at)

    def _first_reset(self, at: int) -> None:
        """Resets by bars as for a lane that has always had them."""
        if self.reset_ticks:
            self.next_reset = (at // self.reset_ticks + 1) * self.reset_ticks
            self.reset_at = at // self.reset_ticks * self.reset_ticks

    # --- running ---

    def read_all(self, window: Window) -> None:
        super().read_all(window)
        self.shaped = self.own_gate or self.passes_on is not None
        for name in SHAPING:
            plain = getattr(self, name) == SETTINGS[name].start
            self.shaped = self.shaped or name in self.varying_hit_settings or not plain

    def run(self, window: Window) -> None:
        if window.version != self.version:
            self.read_all(window)
        if self.value == UNKNOWN:
            self._settle(window)
        self.signal = Signal(self.value | self.own_accent)
        window.signals[self.lane] = None if self.shaped else self.signal
        self._listen(window)
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
            if bit == SOUNDING or not out[place].exists_in & SOUNDING:
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
        if self.turns and self.turns[0][0] < horizon:
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

    def _settle(self, window: Window) -> None:
        """What the result was before anything began: not an edge, but a state."""
        for slot, (lane, before) in enumerate(self.slots):
            signal = window.signals.get(lane)
            if signal is not None:
                self.promised[slot] = signal.before
                self.unheard[slot] = not before and window.muted(lane, window.start)
                self.signals[slot] = self._heard(slot, signal.before)
        masks = [value & (BOTH | ACCENTS) for value in self.signals]
        self.value = self._result(masks, self.done - 1)

    def _heard(self, slot: int, value: int) -> int:
        return value & ~(SOUNDING | ACCENTS) if self.unheard[slot] else value

    def _result(self, masks: Sequence[int], tick: int) -> int:
        return self.expression.evaluate(masks, tick) & (BOTH | ACCENTS)

    def _listen(self, window: Window) -> None:
        """Note how the signals that this lane reads change in this window. Like a gate, a signal is
        read as the mute of its lane stands when it rises."""
        for slot, (lane, _) in enumerate(self.slots):
            signal = window.signals.get(lane)
            if signal is None and not self.promised[slot]:
                continue
            before = signal.before if signal is not None else 0
            if before != self.promised[slot]:
                self._turn(window, slot, self.done, window.start, before)
            for tick, grid, value in signal.changes if signal is not None else ():
                self._turn(window, slot, tick, grid, value)

    def _turn(self, window: Window, slot: int, tick: int, grid: int, value: int) -> None:
        lane, before = self.slots[slot]
        if value & ~self.promised[slot] & SOUNDING:
            self.unheard[slot] = not before and window.muted(lane, grid)
        self.promised[slot] = value
        self.turned += 1
        turn = (max(tick, self.done), self.turned, slot, self._heard(slot, value))
        heappush(self.turns, turn)

    def _hear(self, window: Window) -> None:
        """Note the gates that begin in this window."""
        for slot, (lane, before) in enumerate(self.slots):
            if window.signals.get(lane) is not None:
                continue
            pulse = self.pulses[slot]
            for hit in window.hits.get(lane, ()):
                mask = hit.exists_in
                if not before and mask & SOUNDING and window.muted(lane, hit.grid):
                    mask &= ~SOUNDING
                if mask:
                    length = max(1, round(window.ms(pulse))) if pulse else hit.length
                    tick = max(hit.tick, self.done)
                    accent = accent_bits(hit.accent)
                    heappush(self.starts, (tick, slot, mask, hit.tick + length, accent))

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
            if self.turns and self.turns[0][0] < tick:
                tick = self.turns[0][0]
            if tick >= horizon:
                break
            while resets and resets[0] <= tick:
                self.reset_at = resets.pop(0)
                self.expression.rewind(self.reset_at)
            masks = self._masks(tick)
            shown = self.value | self.own_accent
            before, self.value = self.value, self._result(masks, tick)
            rising = self.value & ~before & BOTH
            falling = before & ~self.value & BOTH
            for bit in (WRITTEN, SOUNDING):
                if falling & bit:
                    self.fell[bit - 1] = self.fell[bit - 1] or tick
                    place, rose = open_hits.pop(bit, (-1, 0))
                    if place >= 0 and (bit == SOUNDING or not out[place].exists_in & SOUNDING):
                        length = min(tick - rose, self.longest)
                        out[place] = out[place]._replace(length=length)
            if rising:
                count = len(out)
                self._play(window, out, tick, rising, masks)
                if len(out) == count + 1 and not self.own_gate and not self.alone:
                    open_hits.update(
                        {bit: (count, tick) for bit in (WRITTEN, SOUNDING) if rising & bit}
                    )
            if not self.value & SOUNDING:
                self.own_accent = 0
            if self.value | self.own_accent != shown:
                grid = max(tick + self.lag, window.start)
                self.signal.changes.append((tick, grid, self.value | self.own_accent))
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
        while self.turns and self.turns[0][0] <= tick:
            _, _, slot, value = heappop(self.turns)
            self.signals[slot] = value
        masks = []
        for slot, until in enumerate(self.until):
            high = (WRITTEN if tick < until[0] else 0) | (SOUNDING if tick < until[1] else 0)
            masks.append(accents_of(self.accented[slot], high) | self.signals[slot])
        return masks

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
        self, window: Window, out: list[Hit], tick: int, exists_in: int, masks: Sequence[int]
    ) -> None:
        grid = max(tick + self.lag, window.start)
        if self.varying_hit_settings:
            self.read_varying(window, grid)
        on = self.passes_on
        if on is not None and tick // self.bar_ticks % self.passes_of + 1 not in on:
            return
        if self.density < 0.5 and chance.draw(self.level_key, tick, 1) >= 2.0 * self.density:
            return
        if self.chance < 1.0 and chance.draw(self.chance_key, tick, 0) >= self.chance:
            return
        high = [slot for slot, mask in enumerate(masks) if mask & exists_in]
        weight = accent_of(self.value)
        if self.accents:
            step = (tick - self.reset_at) * self.step.denominator // self.step.numerator
            own = self.accents[step % len(self.accents)] / 2.0
            self.own_accent = accents_of(accent_bits(own), exists_in) & ACCENTS
            weight = max(weight, own)
        causes = tuple(dict.fromkeys(self.slots[slot][0] for slot in high))
        count = len(out)
        self.sound(window, out, tick, tick, 0, weight, causes, exists_in)
        for place in range(count, len(out)):
            hit = out[place]
            feel = hit.feel._replace(offset=hit.feel.offset + tick - grid)
            out[place] = hit._replace(grid=grid, feel=feel)

    # --- how long it stays high ---

    def _lasting(self, window: Window, bit: int, tick: int) -> int:
        """Play ahead until the result falls: some bars at most. Ticks from `tick` on."""
        source = self.written_lane.source
        for twin, part in window.ahead(self.lane, window):
            if not isinstance(twin, GatesNode) or twin.written_lane.source != source:
                return min(max(1, part.start - tick), self.longest)  # a section makes it of another
            fell = twin.fell[bit - 1]
            if fell:
                return min(fell - tick, self.longest)
            if part.end >= tick + self.longest:
                break
        return self.longest


def _pulse_ms(out: str | None, outputs: dict[str, OutputRange]) -> float:
    return outputs[out].pulse_ms if out is not None and out in outputs else 0.0
