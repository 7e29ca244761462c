"""An expression of logic as a tree that is evaluated tick by tick.

Two kinds of expression:

- *Hits* are true at single ticks: a lane, `a and b`, `a or b`, whatever is false as long as nothing
  hits.
- A *state* is true or false at every tick, hits or none: `not a`, `toggle(a)`, `extend`, `between`,
  `above`, `below`, `rising`, `falling`, and what can be true because of them alone (`a or not b`).
  A derived lane whose expression is a state is one for the lanes that read it.

`and`, `or`, `xor`, `not`, `at-least` and `exactly` compare truth tick by tick. Functions with a
memory take hits. A state hits at every step of its lane's rate on which it is true, and where
something in it hits while it is true. Comparators look at lanes of values on the lane's own steps.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from heapq import heappush

from bridge.music import chance
from bridge.music.causes import Causes, Waiting
from bridge.music.comparators import COMPARATORS
from bridge.music.logic_functions import (
    FUNCTIONS,
    HERE,
    Evaluate,
    Function,
    Masks,
    accents_of,
    here,
    hits_in,
)
from bridge.music.logic_parse import Term
from bridge.music.memory import Memory
from bridge.music.node import BOTH

_POINTWISE = ("and", "or", "xor", "not", "at-least", "exactly")


@dataclass(frozen=True, slots=True)
class ExpressionState:
    """Where an expression stands: its timers to come, what its functions remember, and what is
    delayed with its cause."""

    term: Term
    timers: list[int]
    functions: list[object]
    causes: list[Waiting]


class Expression:
    """A tree ready to be evaluated.

    `leaves` are the (lane name, read before its mute) pairs, in the order of the masks that
    `evaluate` takes; on steps one more mask follows, true at the steps of the lane's own rate.
    `restless` says that it is a state, `samples` that the lane's own steps must be looked at.
    `line_value`, set by the owner, is asked for the value of a lane at a tick. The operators work
    bit by bit.
    """

    def __init__(
        self,
        term: Term,
        seed: int,
        lane: str,
        step: Fraction | None,
        functions: Mapping[str, type[Function]] = FUNCTIONS,
        states: frozenset[str] = frozenset(),
    ) -> None:
        """
        Args:
            term: the tree as read.
            seed: of the set.
            lane: name of the lane; with the seed it names the draws of `chance`.
            step: length of a step of the lane in ticks; None on gates, which know no steps.
            functions: what the words mean, on steps or on gates.
            states: lanes that are states to those that read them (on steps).
        """
        self.term = term
        self._known = functions
        self.leaves: list[tuple[str, bool]] = []
        self.functions: list[Function] = []
        self.line_value: Callable[[str, int], float] = _no_line
        self.timers: list[int] = []
        self._step = step
        self._seed = seed
        self._lane = lane
        self._states = states
        self.restless = is_state(term, states)
        self.samples = self.restless
        self.causes = Causes(term, self.leaves) if step is not None else None
        self.memory = Memory(term, step) if step is not None and looks_back(term) else None
        self.evaluate: Evaluate = self._noted(term)

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
        if term.op in COMPARATORS:
            return self._comparator(term)
        if term.op == "earlier":
            assert self.memory is not None, "gates know no steps"
            self.samples = True
            return _at_hits(self.memory.looking_back(term))
        parts = [self._noted(part) for part in term.terms]
        if term.op in ("and", "or", "xor", "not"):
            built = _joined(term.op, parts)
        else:
            if self._step is not None and term.op not in _POINTWISE:
                parts = [
                    self._sampled(part, below)
                    for part, below in zip(parts, term.terms, strict=True)
                ]
                if term.op == "edge" and not term.numbers:
                    term = Term("edge", term.column, term.terms, numbers=(self._step,))
            function = self._known[term.op](parts, term, self._schedule)
            if term.op == "chance":
                function.stream = chance.key(self._seed, self._lane, f"logic {term.column}")
            self.functions.append(function)
            built = function.evaluate
        if self._step is None or is_state(term, self._states):
            return built
        return _at_hits(built)

    def _comparator(self, term: Term) -> Evaluate:
        assert self._step is not None, "gates know no steps"
        self.samples = True
        name = term.terms[0].name
        function = COMPARATORS[term.op](lambda tick: self.line_value(name, tick), term)
        self.functions.append(function)
        return function.evaluate if is_state(term) else _at_hits(function.evaluate)

    def _sampled(self, part: Evaluate, term: Term) -> Evaluate:
        """The hits of an operand: a state hits on the lane's steps, and where a part of it does."""
        if not is_state(term, self._states):
            return part
        self.samples = True

        def hits(masks: Masks, tick: int) -> int:
            return hits_in(part(masks, tick), masks[-1])

        return hits

    def begin(self, tick: int) -> None:
        """Be as new; time begins at `tick`."""
        self.timers.clear()
        if self.causes is not None:
            self.causes.rewind()
        if self.memory is not None:
            self.memory.begin()
        for function in self.functions:
            function.begin(tick)

    def rewind(self, tick: int) -> None:
        """Forget what functions remember; what is coming (a delay) is dropped."""
        self.timers.clear()
        if self.causes is not None:
            self.causes.rewind()
        if self.memory is not None:
            self.memory.rewind(tick)
        for function in self.functions:
            function.rewind(tick)

    def carry(self) -> ExpressionState:
        return ExpressionState(
            self.term,
            list(self.timers),
            [function.carry() for function in self.functions],
            [] if self.causes is None else self.causes.carry(),
        )

    def adopt(self, carry: ExpressionState) -> bool:
        """Go on from `carry`; false when it comes from another expression."""
        if carry.term != self.term:
            return False
        self.timers[:] = carry.timers
        for function, state in zip(self.functions, carry.functions, strict=True):
            function.adopt(state)
        if self.causes is not None:
            self.causes.adopt(carry.causes)
        return True


def is_state(term: Term, states: frozenset[str] = frozenset()) -> bool:
    """Whether a term may be true where nothing in it hits. `states` names the lanes that may."""
    below = [is_state(part, states) for part in term.terms]
    match term.op:
        case "lane":
            return term.name in states
        case "not" | "toggle" | "extend" | "between" | "above" | "below" | "rising" | "falling":
            return True
        case "and":
            return all(below)
        case "or" | "xor":
            return any(below)
        case "at-least" | "exactly":
            return sum(below) >= term.numbers[0]
    return False


def looks_back(term: Term) -> bool:
    """Whether a term reads a lane as it was on an earlier step."""
    return term.op == "earlier" or any(looks_back(part) for part in term.terms)


def _no_line(name: str, tick: int) -> float:
    raise LookupError(f"nobody says what {name} is")


def _at_hits(part: Evaluate) -> Evaluate:
    """What is true at single ticks only: something happens where it is true, and nowhere else."""

    def evaluate(masks: Masks, tick: int) -> int:
        value = part(masks, tick)
        return value & ~HERE | here(value)

    return evaluate


def _joined(op: str, parts: list[Evaluate]) -> Evaluate:
    first = parts[0]
    if op == "not":

        def inverted(masks: Masks, tick: int) -> int:
            value = first(masks, tick)
            return (BOTH & ~value) | (value & HERE)

        return inverted
    # All parts are always evaluated: functions with a memory must see every place.
    if op == "or":

        def either(masks: Masks, tick: int) -> int:
            value = 0
            for part in parts:
                value |= part(masks, tick)
            return value

        return either
    odd = op == "xor"

    def joined(masks: Masks, tick: int) -> int:
        truth = together = first(masks, tick)
        for part in parts[1:]:
            value = part(masks, tick)
            truth = truth ^ value if odd else truth & value
            together |= value
        return accents_of(together, truth & BOTH) | (together & HERE)

    return joined
