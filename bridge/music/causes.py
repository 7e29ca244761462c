"""Which hit causes a derived hit: the one whose feel it inherits.

An expression is true at a place because some of its parts are. The cause is found from the top:
where several operands are true, the first written one that a hit causes. What is true without a
hit (``not x``, ``gap``, ``earlier``, a state between two hits) causes nothing. A delayed hit is
caused by the hit that was delayed. So a part means the same written out or as a lane of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from bridge.music.comparators import COMPARATORS
from bridge.music.logic_parse import Term
from bridge.music.node import SOUNDING, WRITTEN, Feel
from bridge.music.states import copied

Evaluate = Callable[[Sequence[int], int], int]
Waiting = list[tuple[int, int, Feel | None]]  # when it is due, its bits, what caused it


_ANY = ("and", "or", "xor", "at-least", "exactly")
_NOTHING = ("not", "gap", "earlier", *COMPARATORS)


class Causes:
    """The causes of one expression on steps; `leaves` are the lanes it reads (see `Expression`)."""

    def __init__(self, term: Term, leaves: list[tuple[str, bool]]) -> None:
        self.term = term
        self.leaves = leaves
        self._values: dict[int, int] = {}
        self._delays = _delays(term)
        self._waiting: list[Waiting] = [[] for _ in self._delays]

    def noting(self, term: Term, evaluate: Evaluate) -> Evaluate:
        """`evaluate`, with its last value kept for `at`."""
        values, key = self._values, id(term)

        def noted(masks: Sequence[int], tick: int) -> int:
            value = values[key] = evaluate(masks, tick)
            return value

        return noted

    def hear(self, tick: int, feels: Mapping[int, Feel]) -> None:
        """Note what is delayed, after the expression has been evaluated at `tick`. `feels` are
        those of the hits at this tick, by their place among the leaves."""
        for delay, waiting in zip(self._delays, self._waiting, strict=True):
            while waiting and waiting[0][0] < tick:
                del waiting[0]
            value = self._values[id(delay.terms[0])]
            if value:
                due = tick + round(delay.numbers[0])
                waiting.append((due, value, self._of(delay.terms[0], tick, _heard(value), feels)))

    def at(self, tick: int, there: int, feels: Mapping[int, Feel]) -> Feel | None:
        """The feel of what makes the expression true at `tick` in the bits `there`; None when no
        hit does."""
        return self._of(self.term, tick, _heard(there), feels)

    def _of(self, term: Term, tick: int, bit: int, feels: Mapping[int, Feel]) -> Feel | None:
        if not self._values[id(term)] & bit or term.op in _NOTHING:
            return None
        if term.op == "lane":
            return feels.get(self.leaves.index((term.name, term.before_mute)))
        if term.op == "delay":
            place = next(n for n, delay in enumerate(self._delays) if delay is term)
            waiting = self._waiting[place]
            found = next((feel for due, bits, feel in waiting if due == tick and bits & bit), None)
            return None if found is None else found.at(tick)
        parts = term.terms if term.op in _ANY else term.terms[:1]
        first: Feel | None = None
        for part in parts:
            feel = self._of(part, tick, bit, feels)
            if feel is not None and feel.caused:
                return feel
            first = first or feel
        return first

    # --- state ---

    def rewind(self) -> None:
        for waiting in self._waiting:
            waiting.clear()

    def carry(self) -> list[Waiting]:
        return copied(self._waiting)

    def adopt(self, memory: list[Waiting]) -> None:
        self._waiting = copied(memory)


def _heard(there: int) -> int:
    """The bit that decides: what sounds, else what is written."""
    return SOUNDING if there & SOUNDING else WRITTEN


def _delays(term: Term) -> list[Term]:
    """The delays in an expression, inner ones first."""
    found = [delay for part in term.terms for delay in _delays(part)]
    return [*found, term] if term.op == "delay" else found
