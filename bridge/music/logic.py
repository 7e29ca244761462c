"""Derived lanes on steps: expressions evaluated where their sources hit.

Two hits coincide when their grid tick is the same, before swing and shift. An expression is looked
at wherever one of its lanes hits, wherever one of its timers (delay, gap) runs out, and, when it
can be true without any hit (``not kick``, ``toggle(kick)``), at every step of the lane's own rate.
So the cost grows with the number of hits and not with the length of time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from heapq import heappop, heappush
from typing import Any

from bridge.music import chance
from bridge.music.causes import Causes
from bridge.music.hit_node import HitNode
from bridge.music.logic_functions import FUNCTIONS, Evaluate, Function
from bridge.music.logic_parse import Term
from bridge.music.model import Logic, SetSpec
from bridge.music.node import BOTH, ON_GRID, SOUNDING, Feel, Hit, Window, steps_of
from bridge.music.pattern import thresholds
from bridge.music.ticks import Swing, first_step_from, step_tick


class Expression:
    """
    A tree ready to be evaluated.

    `leaves` are the (lane name, read before its mute) pairs, in the order of the masks that
    `evaluate` takes. The operators work bit by bit:

    =======  = = = =
    a        0 0 1 1
    b        0 1 0 1
    a and b  0 0 0 1
    a or b   0 1 1 1
    a xor b  0 1 1 0
    not a    1 1 0 0
    =======  = = = =
    """

    def __init__(
        self,
        term: Term,
        step: Fraction,
        seed: int,
        lane: str,
        functions: Mapping[str, type[Function]] = FUNCTIONS,
    ) -> None:
        """`step` is what a function takes for a time that is left out; `functions` says what the
        words mean: on steps, or on gates."""
        self.term = term
        self._known = functions
        self.leaves: list[tuple[str, bool]] = []
        self.functions: list[Function] = []
        self.timers: list[int] = []
        self._step = step
        self._seed = seed
        self._lane = lane
        self.causes = Causes(term, self.leaves) if functions is FUNCTIONS else None
        self.evaluate: Evaluate = self._noted(term)
        self.restless = _restless(term)

    def _schedule(self, tick: int) -> None:
        heappush(self.timers, tick)

    def _noted(self, term: Term) -> Evaluate:
        evaluate = self._build(term)
        return evaluate if self.causes is None else self.causes.noting(term, evaluate)

    def _build(self, term: Term) -> Evaluate:
        if term.op == "lane":
            leaf = (term.name, term.before_mute)
            if leaf not in self.leaves:
                self.leaves.append(leaf)
            slot = self.leaves.index(leaf)
            return lambda masks, tick: masks[slot]
        parts = [self._noted(part) for part in term.terms]
        if term.op in _JOIN:
            return _joined(term.op, parts)
        if term.op == "edge" and not term.numbers:
            term = Term("edge", term.column, term.terms, numbers=(self._step,))
        function = self._known[term.op](parts, term, self._schedule)
        if term.op == "chance":
            function.stream = chance.key(self._seed, self._lane, f"logic {term.column}")
        self.functions.append(function)
        return function.evaluate

    def rewind(self, tick: int) -> None:
        self.timers.clear()
        if self.causes is not None:
            self.causes.rewind()
        for function in self.functions:
            function.rewind(tick)

    def carry(self) -> dict[str, Any]:
        return {
            "term": self.term,
            "timers": list(self.timers),
            "memory": [function.carry() for function in self.functions],
            "causes": [] if self.causes is None else self.causes.carry(),
        }

    def adopt(self, carry: dict[str, Any]) -> bool:
        """Go on from `carry`; false when it comes from another expression."""
        if carry["term"] != self.term:
            return False
        self.timers[:] = carry["timers"]
        for function, memory in zip(self.functions, carry["memory"], strict=True):
            function.adopt(memory)
        if self.causes is not None:
            self.causes.adopt(carry["causes"])
        return True


_JOIN = ("and", "or", "xor", "not")


def _joined(op: str, parts: list[Evaluate]) -> Evaluate:
    first = parts[0]
    if op == "not":
        return lambda masks, tick: BOTH ^ first(masks, tick)
    result = first
    for part in parts[1:]:
        result = _pair(op, result, part)
    return result


def _pair(op: str, a: Evaluate, b: Evaluate) -> Evaluate:
    # Both sides are always evaluated: functions with a memory must see every place.
    if op == "and":
        return lambda masks, tick: a(masks, tick) & b(masks, tick)
    if op == "or":
        return lambda masks, tick: a(masks, tick) | b(masks, tick)
    return lambda masks, tick: a(masks, tick) ^ b(masks, tick)


def _restless(term: Term) -> bool:
    """Whether a term may be true where none of its lanes hits and no timer runs out."""
    below = [_restless(part) for part in term.terms]
    if term.op in ("not", "toggle", "hold", "latch"):
        return True
    if term.op in ("and", "chance", "nth", "edge"):
        return all(below)
    if term.op == "first":
        return below[0]
    if term.op in ("at-least", "exactly"):
        return sum(below) >= term.numbers[0]
    if term.op in ("or", "xor"):
        return any(below)
    return False


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
    ) -> None:
        super().__init__(lane, spec, step)
        assert isinstance(self.written_lane.source, Logic)
        self.expression = Expression(term, step, spec.seed, self.written_lane.name)
        self.slots = tuple((positions[name], before) for name, before in self.expression.leaves)
        self.reset_by = reset
        written = self.written_lane
        self.reset_ticks = written.reset * spec.bar_ticks if isinstance(written.reset, int) else 0
        reads = {position for position, _ in self.slots}
        if reset is not None:
            reads.add(reset)
        self.reads = tuple(sorted(reads))
        # A hit that no hit causes stands on a step of the set's groove.
        groove = Swing(step, spec.bar_ticks).bends(spec.swing)
        self.uncaused = Feel(bends=() if self.on_grid else groove, caused=False)
        self.own = False  # whether the lane's own steps are looked at as well
        self.bar_steps = max(1, round(spec.bar_ticks / step))
        self.rewind()

    # --- state ---

    def rewind(self) -> None:
        self.expression.rewind(0)
        self.index = 0
        self.next_reset = self.reset_ticks
        self.hand = -1
        self.version = -1

    def carry(self) -> dict[str, Any]:
        return {
            "expression": self.expression.carry(),
            "index": self.index,
            "step_length": self.step,
            "next_reset": self.next_reset,
            "hand": self.hand,
        }

    def adopt(self, carry: dict[str, Any]) -> None:
        at = carry.get("at", 0)
        self.rewind()
        same = "expression" in carry and self.expression.adopt(carry["expression"])
        if not same and at > 0:
            self.expression.rewind(at)
        if same and carry["step_length"] == self.step:
            self.index = carry["index"]
            self.hand = carry["hand"]
            self.next_reset = carry["next_reset"]
            return
        self.index = first_step_from(at, self.step)
        if self.reset_ticks:
            self.next_reset = (at // self.reset_ticks + 1) * self.reset_ticks

    # --- running ---

    def _quiet(self, window: Window) -> bool:
        """Whether nothing can come of this window; most windows are a few milliseconds long."""
        hits = window.hits
        for lane in self.reads:
            if hits.get(lane):
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

    def read_all(self, window: Window) -> None:
        super().read_all(window)
        self.own = self.expression.restless or self.density > 0.5 or "density" in self.loose_hit

    def run(self, window: Window) -> None:
        if window.version != self.version:
            self.read_all(window)
        if self._quiet(window):
            return
        out: list[Hit] = []
        window.hits[self.lane] = out
        own = self.own
        places, accented, feels = self._places(window, own)
        timers = self.expression.timers
        ticks = sorted(places)
        resets = self._resets(window)
        end = window.end
        nothing = [0] * len(self.slots)
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
                self.expression.rewind(resets.pop(0))
            while timers and timers[0] <= tick:
                heappop(timers)
            there = self.expression.evaluate(places.get(tick, nothing), tick)
            feel = self._inherited(tick, there, feels.get(tick, {}))
            self._play(window, out, tick, there, places.get(tick, nothing), tick in accented, feel)
        for tick in resets:
            self.expression.rewind(tick)
        self.finish(window, out)

    def _inherited(self, tick: int, there: int, feels: dict[int, Feel]) -> Feel:
        """The feel of the hit that causes a hit at `tick`; `feels` are those of the hits there, by
        slot."""
        causes = self.expression.causes
        assert causes is not None
        causes.hear(tick, feels)
        if self.on_grid:
            return ON_GRID
        feel = causes.at(tick, there, feels) if there else None
        return self.uncaused.at(tick) if feel is None else feel

    def _places(
        self, window: Window, own: bool
    ) -> tuple[dict[int, list[int]], set[int], dict[int, dict[int, Feel]]]:
        """Where to look: masks by tick, the ticks with an accented source, and by tick and slot
        the feel of what hits there."""
        feels: dict[int, dict[int, Feel]] = {}
        places: dict[int, list[int]] = {}
        accented: set[int] = set()
        width = len(self.slots)
        for slot, (lane, before) in enumerate(self.slots):
            for hit in window.hits.get(lane, ()):
                if hit.sub:
                    continue
                mask = hit.there
                if not before and mask & SOUNDING and window.muted(lane, hit.grid):
                    mask &= ~SOUNDING
                masks = places.get(hit.grid)
                if masks is None:
                    masks = places[hit.grid] = [0] * width
                here = feels.setdefault(hit.grid, {})
                if slot not in here or (mask & SOUNDING and not masks[slot] & SOUNDING):
                    here[slot] = hit.feel
                masks[slot] |= mask
                if hit.accent and mask & SOUNDING:
                    accented.add(hit.grid)
        if own:
            tick = step_tick(self.index, self.step)
            if tick < window.start:
                self.index = first_step_from(window.start, self.step)
                tick = step_tick(self.index, self.step)
            while tick < window.end:
                if tick not in places:
                    places[tick] = [0] * width
                self.index += 1
                tick = step_tick(self.index, self.step)
        return places, accented, feels

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
        there: int,
        masks: Sequence[int],
        accent: bool,
        feel: Feel,
    ) -> None:
        if self.loose_hit:
            self.read_loose(window, tick)
        if self.density != 0.5:
            there = self._thinned(tick, there)
        if not there:
            return
        on = self.passes_on
        if on is not None and tick // self.bar_ticks % self.passes_of + 1 not in on:
            return
        if self.chance < 1.0 and chance.draw(self.chance_key, tick, 0) >= self.chance:
            return
        weight = 1.0 if accent else 0.0
        if self.accents:
            step = tick * self.step.denominator // self.step.numerator
            weight = self.accents[step % len(self.accents)] / 2.0
        causes = tuple(
            dict.fromkeys(
                lane for (lane, _), mask in zip(self.slots, masks, strict=True) if mask & there
            )
        )
        self.sound(window, out, tick, tick, 0, weight, causes, there, feel)

    def _thinned(self, tick: int, there: int) -> int:
        """Density for derived hits: the bar, cut into the lane's steps, says what is strong."""
        within = tick % self.bar_ticks
        place = first_step_from(within, self.step)
        steps = self.bar_steps
        if place >= steps or step_tick(place, self.step) != within:
            return there if self.density >= 0.5 else 0
        mark = 1 if there else 0
        if self.density < thresholds((mark,) * steps)[place]:
            return 0
        return there or BOTH
