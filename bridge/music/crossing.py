"""Which comparators need not be rendered on a far jump.

A comparator with two levels remembers on which side the line was last. If the line repeats, that
memory is overwritten within one cycle, whatever it was before.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from typing import NamedTuple

from bridge.music.logic import LogicNode
from bridge.music.logic_functions import hits_in
from bridge.music.logic_parse import Term
from bridge.music.logic_tree import Expression
from bridge.music.node import WRITTEN
from bridge.music.tally import JOINING
from bridge.music.ticks import first_step_from, step_tick

_MOST_LOOKS = 1024
"""Limit of the steps after which all lines must have repeated together."""


class Rounds(NamedTuple):
    """A line that repeats until a command changes something.

    Attributes:
        value: its value at a coming tick.
        ticks: the length of its cycle.
        since: the tick from which on this holds.
    """

    value: Callable[[int], float]
    ticks: int
    since: int


def decided_within(node: LogicNode, term: Term, line: Rounds) -> float | None:
    """
    Within how many ticks a comparator with two levels is certain to overwrite its memory.

    Args:
        node: the lane whose steps are looked at.
        term: the comparator.
        line: what it looks at.

    Returns:
        Ticks, or None if it may keep its memory for ever.
    """
    looks = _looks(node, (line,))
    if looks is None:
        return None
    low, high = sorted(float(number) for number in term.numbers)
    values = [line.value(tick) for tick in looks]
    found = [at for at, value in enumerate(values) if value > high or value < low]
    if not found:
        return None
    gaps = [b - a for a, b in zip(found, [*found[1:], found[0] + len(values)], strict=True)]
    return max(gaps) * float(node.step)


def hits_within(node: LogicNode, lines: Mapping[str, Rounds]) -> float | None:
    """
    Within how many ticks a lane that reads nothing but lines is certain to hit, ignoring mutes.

    Args:
        node: of the lane.
        lines: those that come round, by name.

    Returns:
        Ticks, or None if that is not certain.
    """
    expression = node.expression
    terms = _comparators(expression.term)
    plain = node.reset_by is None and not node.reset_ticks and node.memory is None
    if not plain or terms is None or expression.leaves:
        return None
    if not all(term.terms[0].name in lines for term in terms):
        return None
    looks = _looks(node, [lines[term.terms[0].name] for term in terms])
    if looks is None:
        return None
    settled = 0.0
    for term in terms:
        if len(term.numbers) == 2:
            within = decided_within(node, term, lines[term.terms[0].name])
            if within is None:
                return None
            settled = max(settled, within)
    again = Expression(expression.term, node.spec.seed, node.written_lane.name, node.step)
    again.line_value = lambda name, tick: lines[name].value(tick)
    # The first time round everything settles; the second and third are like all that follow.
    length, hits = len(looks) * node.step, []
    for turn in range(3):
        for tick in looks:
            at = tick + round(turn * length)
            if hits_in(again.evaluate([1], at), 1) & WRITTEN and turn:
                hits.append(at)
    if len(hits) < 2:
        return None
    gaps = [b - a for a, b in pairwise(hits)]
    return settled + max(gaps) + float(length)


def _looks(node: LogicNode, lines: Sequence[Rounds]) -> list[int] | None:
    """The ticks at which a lane looks until all lines have come round together."""
    step = node.step
    ticks = math.lcm(step.numerator, *(line.ticks for line in lines))
    count = ticks / step
    if count > _MOST_LOOKS or count.denominator != 1:
        return None
    first = first_step_from(max(line.since for line in lines), step)
    return [step_tick(index, step) for index in range(first, first + int(count))]


def _comparators(term: Term) -> list[Term] | None:
    """The comparators of a term; None if it also has operators that remember for longer than a
    step."""
    if term.op in ("above", "below", "rising", "falling", "changed"):
        return [term]
    if term.op not in ("edge", *JOINING):
        return None
    found: list[Term] = []
    for part in term.terms:
        below = _comparators(part)
        if below is None:
            return None
        found += below
    return found
