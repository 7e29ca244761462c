"""What need not be worked out on the way to a far place.

Of what happened long before a place, most leaves no trace there: a hit has ended, a delayed one has
come, a glide has arrived. What stays is counted: how many hits moved a lane, how many `nth` has
heard, which steps have drifted. So far from the goal lanes only count. How far away that must be is
the `margin`, an upper bound of how long anything else is remembered.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import NamedTuple

from bridge.music.hits import PatternNode
from bridge.music.logic import LogicNode
from bridge.music.logic_parse import Term
from bridge.music.model import Decay, Lane, Notes
from bridge.music.node import Node, Passing
from bridge.music.score import Score
from bridge.music.shapes import DecayNode
from bridge.music.ticks import GROOVE_STEP, STRAIGHT
from bridge.music.value_node import SteppedNode, ValueNode

GLIDES = ("slew", "slew_ms")
_TIMED = ("delay", "extend", "edge")


class Limits(NamedTuple):
    """How far things may come without a hand.

    Attributes:
        extremes: the lowest and the highest value of a setting of a lane.
        ms: milliseconds as ticks at the present tempo.
    """

    extremes: Callable[[int, str], tuple[float, float]]
    ms: Callable[[float], float]


def passing_of(score: Score, nodes: Mapping[int, Node], limits: Limits) -> Passing:
    """
    What may be left out of a score on the way.

    Args:
        score: as the section that is played has it.
        nodes: of all its lanes, by position.
        limits: how far settings may come without a hand.
    """
    readers: dict[int, list[int]] = {}
    wanted: set[int] = set()
    for place, node in nodes.items():
        for read in node.reads:
            readers.setdefault(read, []).append(place)
        if isinstance(node, LogicNode) and node.memory is not None:
            wanted |= node.memory.places.keys()
    counted: set[int] = set()
    idle: set[int] = set()
    lasts: set[int] = set()
    for place in reversed(score.order):  # so that those that read a lane come before it
        node, lane = nodes[place], score.lanes[place]
        less = all(reader in counted or reader in lasts for reader in readers.get(place, ()))
        if isinstance(node, PatternNode | LogicNode) and less and not _is_level(lane, score):
            counted.add(place)
        elif isinstance(node, SteppedNode | DecayNode) and _lets_go(place, node, score, limits):
            lasts.add(place)
        tallies = None
        if isinstance(node, LogicNode) and place in counted and place not in wanted:
            tallies = node.tallies
        if tallies is None:
            wanted.update(node.reads)
            continue
        wanted.update(read for _, table in tallies for _, read, _ in table.slots)
        if not tallies:
            idle.add(place)
    return Passing(frozenset(counted), frozenset(wanted), frozenset(idle), frozenset(lasts))


def _lets_go(place: int, node: ValueNode, score: Score, limits: Limits) -> bool:
    """Whether of the moves of a lane of values only the last one leaves a trace."""
    if node.read or node.heard_line is not None:
        return False
    return _alone_on_its_output(score.lanes[place], score) and not _glides_meet(
        place, score, limits
    )


def _alone_on_its_output(lane: Lane, score: Score) -> bool:
    """Otherwise the order of its moves and of others decides who has the output."""
    return lane.out is None or sum(other.out == lane.out for other in score.lanes) == 1


def _glides_meet(place: int, score: Score, limits: Limits) -> bool:
    """Whether a lane of values may still glide when it moves again. A glide begins where the one
    before it had come to, so each of them matters for as long as they meet."""
    lane, step = score.lanes[place], float(score.steps[place])
    extremes, ms = limits
    if isinstance(lane.source, Notes) and any(note.glide for note in lane.source.notes):
        return True
    glide = _glide(place, step, limits)
    if not glide:
        return False
    steady = isinstance(lane.advance, Fraction) and lane.reset is None
    if not steady or isinstance(lane.source, Decay) or any(extremes(place, "pace")):
        return True
    swings = max(abs(percent - STRAIGHT) for percent in extremes(place, "swing")) / STRAIGHT
    early = [-bend for bend in score.spec.groove]
    apart = step - swings * max(step, score.spec.swing_step)
    apart -= GROOVE_STEP * (max(score.spec.groove, default=0.0) + max(early, default=0.0))
    for name, unit in (("shift", step), ("shift_ms", ms(1.0))):
        low, high = extremes(place, name)
        apart -= (high - low) * unit
    return glide + 2.0 > apart


def _glide(place: int, step: float, limits: Limits) -> float:
    """The longest glide of a lane of values by its settings, in ticks."""
    slew, slew_ms = (limits.extremes(place, name)[1] for name in GLIDES)
    return max(step * slew, limits.ms(slew_ms))


def _is_level(lane: Lane, score: Score) -> bool:
    """Whether an output follows the gates of a lane of hits: then their lengths matter."""
    wired = score.outputs.get(lane.out or "")
    return bool(lane.drives) or (wired is not None and wired.kind in ("pitch", "level"))


def margin_of(score: Score, passing: Passing, limits: Limits) -> int:
    """
    How long what is left out may still matter, in ticks.

    Lateness adds up along lanes that follow one another, so the longest such row counts. Lanes that
    look back at what follows from them have no such order: then all of it is added up.

    Args:
        score: as the section that is played has it.
        passing: what is left out of it.
        limits: how far settings may come without a hand.
    """
    left_out = passing.counted | passing.lasts
    own = {place: _matters(score, passing, limits, place) for place in left_out}
    circles = any(leaf.op == "past" for term in score.terms.values() for leaf in term.leaves())
    if circles:
        longest = sum(own.values())
    else:
        rows: dict[int, float] = {}
        for place in score.order:
            before = max((rows[read] for read in score.reads[place]), default=0.0)
            rows[place] = before + own.get(place, 0.0)
        longest = max(rows.values(), default=0.0)
    return int(2.0 * score.spec.bar_ticks + longest) + 1


def _matters(score: Score, passing: Passing, limits: Limits, place: int) -> float:
    """How long what is left out of one lane matters to those that follow it, in ticks."""
    extremes, ms = limits

    def most(name: str) -> float:
        return extremes(place, name)[1]

    # Swing, repeats, and the step itself: each at most a step, in half time of two.
    step = 2.0 * float(score.steps[place])
    ticks = step * (3.0 + most("shift")) + max(0.0, ms(most("shift_ms")))
    ticks += 2.0 * score.spec.swing_step + GROOVE_STEP
    if place in passing.counted:
        ticks += ms(most("humanise_ms"))
        if place in score.terms:
            ticks += _remembered(score.terms[place])
    else:
        ticks += _glide(place, step, limits)
        if isinstance(score.lanes[place].source, Decay):
            ticks += ms(most("decay_ms"))
    return ticks


def _remembered(term: Term) -> float:
    """An upper bound of how long the timed functions of an expression remember, in ticks."""
    own = float(term.numbers[0]) if term.op in _TIMED and term.numbers else 0.0
    return own + sum(_remembered(part) for part in term.terms)
