"""Derived lanes on steps: expressions evaluated where their sources hit.

Two hits coincide when their grid tick is the same, before swing and shift. An expression is looked
at wherever one of its lanes hits, wherever one of its timers (delay, gap, extend) ends, and, when
there is a state in it that hits on steps (``not kick``, ``nth(not kick, 2)``), at every step of the
lane's own rate. So the cost grows with the number of hits and not with the length of time. Looking
once too often changes nothing.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from heapq import heappop

from bridge.music import chance
from bridge.music.comparators import Comparator
from bridge.music.hit_node import HitNode
from bridge.music.logic_functions import (
    ACCENTS,
    Evaluate,
    Function,
    accent_bits,
    accent_of,
    accents_of,
    here,
    hits_in,
)
from bridge.music.logic_parse import Term
from bridge.music.logic_tree import Expression, ExpressionState, is_state
from bridge.music.memory import Past
from bridge.music.model import Logic, SetSpec
from bridge.music.node import BOTH, ON_GRID, SOUNDING, Feel, Hit, Trace, Window, steps_of
from bridge.music.pattern import thresholds
from bridge.music.tally import TruthTable, is_pointwise
from bridge.music.ticks import NEVER, Swing, first_step_from, step_tick

HITS = 1 << 6
"""Set in the mask of a lane that hits at a tick; a state may be true without."""
LOOKED = 1 << 7
"""Set in the mask of a state that was worked out at a tick."""
UNKNOWN = -1
COUNTING = ("nth", "toggle")
"""Functions that count the hits of their operand, however long ago they were."""
FORGETTING = ("at-least", "exactly", "delay", "extend", "edge", "chance")
"""Functions that remember nothing, or nothing for longer than their time."""
LOOKING = ("rising", "falling", "changed")
"""Functions of a line that remember only what it was one step before."""
SETTLING = {"first": (1,), "between": (0, 1), "gap": (0,)}
"""Functions of which a hit of one of these operands says how they stand, whatever was before."""


@dataclass(frozen=True, slots=True)
class LogicState:
    """Where a derived lane on steps stands: its expression, and the past it looks back at; the
    number of its next step, and how long one is; when it is reset next, every how many ticks and
    when it was; what it is at rest; the last reset by hand that it has followed."""

    expression: ExpressionState
    past: Past
    index: int
    step: Fraction
    next_reset: int
    reset_ticks: int
    reset_at: int
    resting: int
    hand: int


class LogicNode(HitNode):
    """A derived lane that works on steps."""

    def __init__(
        self,
        lane: int,
        spec: SetSpec,
        step: Fraction,
        term: Term,
        positions: dict[str, int],
        reset: int | None = None,
        states: frozenset[str] = frozenset(),
    ) -> None:
        """`states` names the lanes that are states to those that read them."""
        super().__init__(lane, spec, step)
        assert isinstance(self.written_lane.source, Logic)
        self.expression = Expression(term, spec.seed, self.written_lane.name, step, states=states)
        self.memory = self.expression.memory
        if self.memory is not None:
            self.memory.place(positions, lane)
        leaves = self.expression.leaves
        self.slots = tuple((positions[name], before) for name, before in leaves)
        self.state_slots = tuple(slot for slot, (name, _) in enumerate(leaves) if name in states)
        self.reset_by = reset
        written = self.written_lane
        self.reset_ticks = written.reset * spec.bar_ticks if isinstance(written.reset, int) else 0
        lines = {leaf.name for leaf in term.leaves() if leaf.op == "line"}
        reads = {position for position, _ in self.slots} | {positions[name] for name in lines}
        if reset is not None:
            reads.add(reset)
        self.reads = tuple(sorted(reads))
        self.positions = positions
        self.table = None
        if not self.expression.restless:
            self.table = self._table(term, self.expression.evaluate)
        self.settling: list[tuple[Term, ...]] = []
        """For each function that settles, the operands of which a hit settles it."""
        self.deciding: list[tuple[Term, Comparator]] = []
        """The comparators with two levels: they stay as they are between these."""
        self.tallies = self._tallies()
        # A hit that no hit causes stands on a step of the set's groove.
        groove = Swing(step, spec).bends(spec.swing)
        self.uncaused = Feel(bends=() if self.on_grid else groove, caused=False)
        self.own = False  # whether the lane's own steps are looked at as well
        self.bar_steps = max(1, round(spec.bar_ticks / step))
        self.looks: list[tuple[int, int]] = []
        self.ground: list[tuple[int, int]] = []
        self.rewind()

    # --- state ---

    def rewind(self) -> None:
        self.expression.begin(0)
        self.index = 0
        self.next_reset = self.reset_ticks
        self.reset_at = 0
        self.resting = UNKNOWN  # what it is as long as nothing happens, before any setting
        self.hand = -1
        self.version = -1
        self.due = -1

    def carry(self) -> LogicState:
        return LogicState(
            self.expression.carry(),
            {} if self.memory is None else self.memory.carry(),
            self.index,
            self.step,
            self.next_reset,
            self.reset_ticks,
            self.reset_at,
            self.resting,
            self.hand,
        )

    def adopt(self, carry: object, at: int) -> None:
        self.rewind()
        state = carry if isinstance(carry, LogicState) else None
        same = state is not None and self.expression.adopt(state.expression)
        if not same and at > 0:
            self.expression.begin(at)
        if self.memory is not None:
            self.memory.adopt({} if state is None else state.past)
        if state is not None and same:
            self.resting = state.resting
            self.reset_at = state.reset_at
            if state.step == self.step:
                self.index = state.index
                self.hand = state.hand
                if state.reset_ticks == self.reset_ticks:
                    self.next_reset = state.next_reset
                else:
                    self._first_reset(at)
                return
        self.index = first_step_from(at, self.step)
        self._first_reset(at)

    def _first_reset(self, at: int) -> None:
        """Resets by bars as for a lane that has always had them."""
        if self.reset_ticks:
            self.next_reset = (at // self.reset_ticks + 1) * self.reset_ticks
            self.reset_at = at // self.reset_ticks * self.reset_ticks

    # --- on the way to another place ---

    def _table(self, term: Term, evaluate: Evaluate) -> TruthTable | None:
        """A term as a table, where it compares nothing but hits."""
        if self.state_slots or is_state(term) or not is_pointwise(term):
            return None
        if self.reset_by is not None or self.reset_ticks:
            return None
        leaves = {(leaf.name, leaf.before_mute) for leaf in term.leaves()}
        slots = [
            (slot, self.positions[name], before)
            for slot, (name, before) in enumerate(self.expression.leaves)
            if (name, before) in leaves
        ]
        return TruthTable(term, evaluate, slots, len(self.slots) + 1, self.positions)

    def _tallies(self) -> list[tuple[Function, TruthTable]] | None:
        """The functions that only count hits, each with what it counts; all else is forgotten
        soon. None where something else stays."""
        expression = self.expression
        if self.memory is not None or self.state_slots or self.reset_ticks:
            return None
        if self.reset_by is not None:
            return None
        found: list[tuple[Function, TruthTable]] = []
        for function in expression.functions:
            if function.term.op in COUNTING:
                table = self._table(function.term.terms[0], function.part)
                if table is None:
                    return None
                found.append((function, table))
            elif (operands := SETTLING.get(function.term.op)) is not None:
                self.settling.append(tuple(function.term.terms[place] for place in operands))
            elif isinstance(function, Comparator) and len(function.levels) > 1:
                self.deciding.append((function.term, function))
            elif not _forgets(function.term):
                return None
        return found

    def _count(self, window: Window) -> bool:
        """Count what this window does to the lane; False where it must be played."""
        if self.tallies is not None and self.lane not in window.passing.wanted:
            for function, table in self.tallies:
                function.count(table.written(window))
            self._decide(window)
            self.resting = UNKNOWN
            return True
        if self.table is None or self.own:
            return False
        varies = {"chance", "density"}.intersection(self.varying_hit_settings)
        plain = not varies and not self.leaves_out
        joined = self.table.joined(window) if plain else None
        if joined is not None:
            window.hits[self.lane] = joined
            return True
        out: list[Hit] = []
        window.hits[self.lane] = out
        for tick, bits in self.table.hits(window):
            if plain:
                out.append(Hit(tick, tick, 0.0, 1, exists_in=bits))
            else:
                self._play(window, out, tick, bits, (), ON_GRID)
        return True

    def _decide(self, window: Window) -> None:
        """Have comparators stand where the lines that are traced have left them."""
        for term, comparator in self.deciding:
            line = self.positions[term.terms[0].name]
            if line in window.passing.traced:
                trace = window.traces.get(line) or Trace(window.value(line, window.start))
                comparator.follow(trace, self.step, window.start, window.end)

    # --- as a state, for those that read it ---

    def rest(self, window: Window, tick: int) -> int:
        """Whether it is true just after all looks before `tick`. A lane that leaves hits out is
        read by those that are left, and false between them."""
        resting = self.ground[bisect_left(self.ground, (tick, UNKNOWN)) - 1][1]
        if resting and self.varying_hit_settings:
            self.read_varying(window, tick)
        return 0 if self.leaves_out else resting

    @property
    def leaves_out(self) -> bool:
        """Whether chance, density or passes leave out hits that the expression says."""
        return self.chance < 1.0 or self.density != 0.5 or self.passes_on is not None

    # --- running ---

    def _quiet(self, window: Window) -> bool:
        """Whether nothing can come of this window; most windows are a few milliseconds long."""
        hits = window.hits
        for lane in self.reads:
            if hits.get(lane):
                return False
        for slot in self.state_slots:
            if window.states[self.slots[slot][0]].looks:
                return False
        end = window.end
        timers = self.expression.timers
        if timers and timers[0] < end:
            return False
        if self.own and step_tick(self.index, self.step) < end:
            return False
        if self.reset_ticks and self.next_reset < end:
            return False
        return window.reset_by_hand(self.lane) <= self.hand

    def _next_look(self, window: Window) -> int:
        """The tick before which nothing comes of it, unless a lane that it reads does something."""
        asked = self.expression.restless or self.state_slots or self.memory is not None
        if asked or not self.reads or window.reset_by_hand(self.lane) > self.hand:
            return -1
        timers = self.expression.timers
        due = timers[0] if timers else NEVER
        if self.own:
            due = min(due, step_tick(self.index, self.step))
        return min(due, self.next_reset) if self.reset_ticks else due

    def read_all(self, window: Window) -> None:
        super().read_all(window)
        self.own = (
            self.expression.samples or self.density > 0.5 or "density" in self.varying_hit_settings
        )

    def run(self, window: Window) -> None:
        new = window.version != self.version
        if new:
            self.read_all(window)
        self.passing = self.lane in window.passing.counted
        if self.passing and self._count(window):
            self.due = -1
            return
        state = self.expression.restless
        if state:
            window.states[self.lane] = self
            if new or self.resting == UNKNOWN:  # a mute may have turned what it reads
                self.resting = self._at_rest(window, window.start)
            self.looks = []
            self.ground = [(window.start - 1, self.resting)]
        if self._quiet(window):
            self.due = self._next_look(window)
            return
        out: list[Hit] = []
        window.hits[self.lane] = out
        self.expression.line_value = lambda name, at: window.value(self.positions[name], at)
        resets = self._resets(window)
        places, feels = self._places(window, resets)
        timers = self.expression.timers
        ticks = sorted(places)
        end = window.end
        at = 0
        while True:
            tick = ticks[at] if at < len(ticks) else end
            while timers and timers[0] < tick:
                later = heappop(timers)
                if later >= window.start:
                    tick = later
                    break
            else:
                at += 1
            if tick >= end:
                break
            while resets and resets[0] <= tick:
                self.reset_at = resets.pop(0)
                self.expression.rewind(self.reset_at)
            while timers and timers[0] <= tick:
                heappop(timers)
            masks = places.get(tick) or [0] * (len(self.slots) + 1)
            for slot in self.state_slots:
                if not masks[slot] & LOOKED:
                    masks[slot] |= self._rest_of(window, slot, tick)
            value = self.expression.evaluate(masks, tick)
            exists_in = hits_in(value, masks[-1]) if state else value
            feel = self._inherited(tick, exists_in, feels.get(tick, {}))
            exists_in = self._play(window, out, tick, exists_in, masks, feel)
            if state:
                if self.leaves_out:
                    value = exists_in | here(exists_in)
                self.looks.append((tick, value & ~ACCENTS | exists_in & ACCENTS))
                self.resting = self._at_rest(window, tick + 1)
                self.ground.append((tick, self.resting))
        self.finish(window, out)
        self.due = self._next_look(window)

    def _rest_of(self, window: Window, slot: int, tick: int) -> int:
        """A state that this lane reads, where nothing in it happens."""
        lane, before = self.slots[slot]
        return self._heard(window, lane, before, tick, window.states[lane].rest(window, tick))

    def _at_rest(self, window: Window, tick: int) -> int:
        """The lane's own expression where nothing happens. Only hits change what functions
        remember, so asking changes nothing."""
        masks = [0] * (len(self.slots) + 1)
        for slot in self.state_slots:
            masks[slot] = self._rest_of(window, slot, tick)
        return self.expression.evaluate(masks, tick - 1) & BOTH

    @staticmethod
    def _heard(window: Window, lane: int, before: bool, tick: int, mask: int) -> int:
        """`mask` without what is heard of it, when the lane is muted and read after its mute."""
        if not before and mask & SOUNDING and window.muted(lane, tick):
            return mask & ~(SOUNDING | ACCENTS | here(SOUNDING))
        return mask

    def _inherited(self, tick: int, exists_in: int, feels: dict[int, Feel]) -> Feel:
        """The feel of the hit that causes a hit at `tick`; `feels` are those of the hits there, by
        slot."""
        causes = self.expression.causes
        assert causes is not None
        causes.hear(tick, feels)
        if self.on_grid or self.passing:
            return ON_GRID
        feel = causes.at(tick, exists_in, feels) if exists_in & BOTH else None
        return self.uncaused.at(tick) if feel is None else feel

    def _places(
        self, window: Window, resets: Sequence[int]
    ) -> tuple[dict[int, list[int]], dict[int, dict[int, Feel]]]:
        """Where to look: masks by tick, the last of them true at the lane's own steps; and by tick
        and slot the feel of what hits there."""
        feels: dict[int, dict[int, Feel]] = {}
        width = len(self.slots) + 1
        places: dict[int, list[int]] = {tick: [0] * width for tick in resets if tick < window.end}

        def at(tick: int) -> list[int]:
            masks = places.get(tick)
            if masks is None:
                masks = places[tick] = [0] * width
            return masks

        for slot, (lane, before) in enumerate(self.slots):
            state = slot in self.state_slots
            for hit in window.hits.get(lane, ()):
                if hit.repeat:
                    continue
                mask = hit.exists_in | here(hit.exists_in)
                if hit.accent and mask & SOUNDING:
                    mask |= accent_bits(hit.accent)
                mask = self._heard(window, lane, before, hit.grid, mask)
                here_now = feels.setdefault(hit.grid, {})
                before_now = at(hit.grid)[slot]
                if slot not in here_now or (mask & SOUNDING and not before_now & SOUNDING):
                    here_now[slot] = hit.feel
                at(hit.grid)[slot] |= HITS if state else HITS | mask
            if state:
                for tick, value in window.states[lane].looks:
                    at(tick)[slot] |= LOOKED | self._heard(window, lane, before, tick, value)
        if self.own:
            tick = step_tick(self.index, self.step)
            if tick < window.start:
                self.index = first_step_from(window.start, self.step)
                tick = step_tick(self.index, self.step)
            while tick < window.end:
                at(tick)[-1] = 1
                self.index += 1
                tick = step_tick(self.index, self.step)
        return places, feels

    def _resets(self, window: Window) -> list[int]:
        resets: list[int] = []
        if self.reset_by is not None:
            resets += [hit.grid for hit in steps_of(window.hits.get(self.reset_by, ()))]
        while self.reset_ticks and self.next_reset < window.end:
            resets.append(self.next_reset)
            self.next_reset += self.reset_ticks
        hand = window.reset_by_hand(self.lane)
        if self.hand < hand < window.end:
            self.hand = hand
            resets.append(max(hand, window.start))
        return sorted(resets)

    def _play(
        self,
        window: Window,
        out: list[Hit],
        tick: int,
        value: int,
        masks: Sequence[int],
        feel: Feel,
    ) -> int:
        """Sound what `value` says at `tick`; what is left of it."""
        if self.varying_hit_settings:
            self.read_varying(window, tick)
        exists_in = value & BOTH
        if self.density != 0.5:
            exists_in = self._thinned(tick, exists_in)
        if not exists_in:
            return 0
        on = self.passes_on
        if on is not None and tick // self.bar_ticks % self.passes_of + 1 not in on:
            return 0
        if self.chance < 1.0 and chance.draw(self.chance_key, tick, 0) >= self.chance:
            return 0
        weight = accent_of(value)
        if self.accents:
            step = (tick - self.reset_at) * self.step.denominator // self.step.numerator
            weight = max(weight, self.accents[step % len(self.accents)] / 2.0)
        causes = tuple(
            dict.fromkeys(
                lane
                for (lane, _), mask in zip(self.slots, masks, strict=False)
                if mask & HITS and mask & exists_in
            )
        )
        self.sound(window, out, tick, tick, 0, weight, causes, exists_in, feel)
        return accents_of(accent_bits(weight), exists_in)

    def _thinned(self, tick: int, exists_in: int) -> int:
        """Density for derived hits: the bar, cut into the lane's steps, says what is strong. What
        is written is thinned by itself, so that no mute moves a lane that counts these hits."""
        within = tick % self.bar_ticks
        place = first_step_from(within, self.step)
        steps = self.bar_steps
        if place >= steps or step_tick(place, self.step) != within:
            return exists_in if self.density >= 0.5 else 0
        hits, rests = (thresholds((mark,) * steps)[place] for mark in (1, 0))
        return (exists_in if self.density >= hits else 0) | (
            BOTH & ~exists_in if self.density >= rests else 0
        )


def _forgets(term: Term) -> bool:
    """Whether a function remembers nothing for longer than its time, or a step."""
    if term.op in ("above", "below"):
        return len(term.numbers) < 2  # with two levels it matters from which side the line comes
    return term.op in FORGETTING or term.op in LOOKING
