"""Feedback with a delay of whole steps: `earlier(lane, n)`.

A lane may read itself, or a lane that depends on it, as it was on an earlier step. What was is
known when the step begins, so no order of the lanes is needed for it: the ensemble cuts its windows
at the steps of a lane that remembers, and tells it of the hits of what it remembers as soon as they
are made. Hits are remembered as they are written; neither feel nor accents are, for they would grow
with every time round.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction

from bridge.music.logic_functions import Evaluate, Masks
from bridge.music.logic_parse import Term
from bridge.music.node import BOTH, WRITTEN, Hit, steps_of
from bridge.music.step_hits import StepHits
from bridge.music.ticks import first_step_from, step_tick

Past = dict[int, list[tuple[int, bool]]]
"""By position of a lane: the ticks of its hits, and whether each was heard."""


class Memory:
    """What one expression remembers of other lanes, and of its own.

    Attributes:
        reach: how many steps back each lane is looked at, by its name.
    """

    def __init__(self, term: Term, step: Fraction) -> None:
        """
        Args:
            term: the whole expression.
            step: length of a step of the lane it belongs to, in ticks.
        """
        self.step = step
        self.reach: dict[str, int] = {}
        for part in _parts(term):
            if part.op == "earlier":
                name = part.terms[0].name
                self.reach[name] = max(self.reach.get(name, 0), steps_back(part))
        self.places: dict[int, str] = {}
        self.own = -1
        self.since = 0
        self._past: dict[str, list[tuple[int, bool]]] = {name: [] for name in self.reach}
        # A lane with other rates may be a step ahead of the own one: two more are kept.
        self._kept = {name: round((steps + 2) * step) for name, steps in self.reach.items()}
        self._next = range(0)  # the ticks before the next step, once it has been asked for

    def place(self, positions: dict[str, int], own: int) -> None:
        """Say where in the score the remembered lanes are, and the lane itself."""
        self.places = {positions[name]: name for name in self.reach}
        self.own = own

    def looking_back(self, term: Term) -> Evaluate:
        """The evaluation of a term `earlier`: true on a step of the lane's own rate when the lane
        has hit within the step so many steps before it."""
        back, leaf = steps_back(term), term.terms[0]

        def looked(masks: Masks, tick: int) -> int:
            if not masks[-1]:
                return 0
            index = first_step_from(tick, self.step) - back
            start, end = step_tick(index, self.step), step_tick(index + 1, self.step)
            always = leaf.before_mute or self.places.get(self.own) == leaf.name
            value = 0
            for when, heard in self._past[leaf.name]:
                if start <= when < end:
                    value |= BOTH if heard or always else WRITTEN
            return value

        return looked

    def hear(self, place: int, hits: Iterable[Hit], muted: bool) -> None:
        """Remember the hits that a lane has made in this window; `muted` says whether its own mute
        kept them from being heard."""
        name = self.places[place]
        past = self._past[name]
        if isinstance(hits, StepHits):  # of many hits only the last are remembered
            hits = hits.last(self._kept[name])
        for hit in steps_of(list(hits)):
            if hit.grid >= self.since:
                past.append((hit.grid, not muted))
        if past:
            horizon = past[-1][0] - self._kept[name]
            self._past[name] = [entry for entry in past if entry[0] >= horizon]

    def past(self, name: str) -> Sequence[tuple[int, bool]]:
        """The ticks of the last hits of a remembered lane, and whether each was heard."""
        return self._past[name]

    def next_step(self, tick: int) -> int:
        """The first step of the own rate after `tick`."""
        if tick not in self._next:
            self._next = range(tick, step_tick(first_step_from(tick + 1, self.step), self.step))
        return self._next.stop

    def rewind(self, tick: int) -> None:
        """Forget what was before `tick`."""
        self.since = tick
        for name, past in self._past.items():
            self._past[name] = [entry for entry in past if entry[0] >= tick]

    def begin(self) -> None:
        """Forget everything."""
        self.since = 0
        for name in self._past:
            self._past[name] = []

    def carry(self) -> Past:
        return {place: list(self._past[name]) for place, name in self.places.items()}

    def adopt(self, past: Past) -> None:
        """Go on from what `carry` gave; lanes that it does not know have not hit yet."""
        for place, name in self.places.items():
            self._past[name] = list(past.get(place, ()))


def steps_back(term: Term) -> int:
    """How many steps back a term `earlier` looks."""
    return int(term.numbers[0]) if term.numbers else 1


def _parts(term: Term) -> Iterable[Term]:
    yield term
    for part in term.terms:
        yield from _parts(part)
