"""What need not be worked out on the way to a far place.

Of what happened long before a place, most leaves no trace there: a hit has ended, a delayed one has
come, a glide has arrived. What stays is counted: how many hits moved a lane, how many `nth` has
heard, which steps have drifted. So far from the goal lanes only count. How far away that must be is
the `margin`, an upper bound of how long anything else is remembered.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from fractions import Fraction
from itertools import pairwise
from typing import NamedTuple

from bridge.music.crossing import Rounds, decided_within, hits_within
from bridge.music.euclid import euclid
from bridge.music.gates import GatesNode
from bridge.music.hit_node import LONGEST_GATE_BARS
from bridge.music.hits import PatternNode
from bridge.music.logic import LogicNode
from bridge.music.logic_parse import Term
from bridge.music.model import SETTINGS, Decay, Drive, Euclid, Every, Lane, Notes, Steps
from bridge.music.node import Node, Passing
from bridge.music.pattern import filled, played_order, rotate
from bridge.music.score import Score
from bridge.music.shapes import DecayNode, ShapeNode
from bridge.music.stepped import SteppedNode
from bridge.music.ticks import GROOVE_STEP, STRAIGHT
from bridge.music.value_node import ValueNode
from bridge.music.values import SampleNode, WalkNode

GLIDES = ("slew", "slew_ms")
FEEL = ("shift", "shift_ms", "humanise_ms", "swing")
_REACHED = (*FEEL, "pace", *GLIDES, "gate", "gate_ms", "decay_ms")
Marks = tuple[int, ...]
_LONGEST_WAIT_BARS = 16
_TIMED = ("delay", "extend", "edge", "gap")
_BRIEF = ("lane", "and", "or", "xor", "not", "at-least", "exactly", "delay", "extend", "chance")


class Limits(NamedTuple):
    """How far things may come without a hand.

    Attributes:
        extremes: the lowest and the highest value of a setting of a lane.
        ms: milliseconds as ticks at the present tempo.
        settled: the value of a setting of a lane, when neither a drive nor what waits will move it;
            else None.
        unmuted: whether a lane is heard, and nothing that waits will mute it.
        rounds: a lane of values as a line that comes round, as long as no hand moves anything.
    """

    extremes: Callable[[int, str], tuple[float, float]]
    ms: Callable[[float], float]
    settled: Callable[[int, str], float | None] = lambda lane, name: None
    unmuted: Callable[[int], bool] = lambda lane: False
    rounds: Callable[[int], Rounds | None] = lambda lane: None


def passing_of(score: Score, nodes: Mapping[int, Node], limits: Limits) -> Passing:
    """
    What may be left out of a score on the way.

    Args:
        score: as the section that is played has it.
        nodes: of all its lanes, by position.
        limits: how far settings may come without a hand.
    """
    untraced: set[int] = set()
    while True:
        passing = _Leaving(score, nodes, limits, untraced).passing()
        if passing.traced <= passing.lasts:
            return passing
        untraced |= passing.traced - passing.lasts


class _Leaving:
    """What may be left out, found lane by lane: those that read a lane come before it."""

    def __init__(
        self, score: Score, nodes: Mapping[int, Node], limits: Limits, untraced: AbstractSet[int]
    ) -> None:
        """`untraced` are lanes of which nobody may ask the value at each step."""
        self.score, self.nodes, self.limits, self.untraced = score, nodes, limits, untraced
        self.traced: set[int] = set()
        self.tracing: set[int] = set()
        """Lanes that ask nothing of what they read but such values."""
        self.readers: dict[int, list[int]] = {}
        self.wanted: set[int] = set()
        self.counted: set[int] = set()
        self.idle: set[int] = set()
        self.lasts: set[int] = set()
        self.within: dict[int, float] = {}
        for place, node in nodes.items():
            for read in node.reads:
                self.readers.setdefault(read, []).append(place)
            if isinstance(node, LogicNode) and node.memory is not None:
                self.wanted |= node.memory.places.keys()

    def passing(self) -> Passing:
        for place in reversed(self.score.order):
            node = self.nodes[place]
            readers = self.readers.get(place, ())
            quiet = all(reader in self.idle for reader in readers)
            if self._counts(place, node):
                self.counted.add(place)
            elif quiet and self._forgets(place, node):
                self.idle.add(place)
                continue
            elif isinstance(node, SteppedNode | DecayNode) and self._lets_go(place, node):
                self.lasts.add(place)
            tallies = None
            if isinstance(node, LogicNode) and place in self.counted - self.wanted:
                tallies = node.tallies
                settles = all(self._settles(place, operands) for operands in node.settling)
                if not settles or not all(
                    self._decides(place, node, term) for term, _ in node.deciding
                ):
                    tallies = None
                    self.tracing.discard(place)
            if tallies is None:
                self.wanted.update(node.reads)
                if isinstance(node, LogicNode) and node.tallies is not None:
                    self.wanted.add(place)  # or it would be counted as if it settled
                continue
            self.wanted.update(read for _, table in tallies for _, read, _ in table.slots)
            if not tallies and place not in self.tracing:
                self.idle.add(place)
        counted, wanted, idle, lasts = map(
            frozenset, (self.counted, self.wanted, self.idle, self.lasts)
        )
        gliding = {lane for lane in lasts if self._glides(lane)}
        unknown = gliding | {lane for lane in idle if not self.score.lanes[lane].hits}
        traced = frozenset(self.traced)
        return Passing(counted, wanted, idle, lasts, frozenset(unknown), self.within, traced)

    def _glides(self, place: int) -> bool:
        step = float(self.score.steps[place])
        return _glide(place, step, self.score, self.limits) > 0.0

    def _counts(self, place: int, node: Node) -> bool:
        """Whether of the hits of a lane only their places matter."""
        if not isinstance(node, PatternNode | LogicNode):
            return False
        left = self.counted | self.lasts | self.idle
        return left.issuperset(self.readers.get(place, ())) and not _is_level(
            self.score.lanes[place], self.score
        )

    def _forgets(self, place: int, node: Node) -> bool:
        """Whether a lane that nobody reads on the way stands some time before the goal as if it
        had been played all the way."""
        lane = self.score.lanes[place]
        if isinstance(node, GatesNode):
            simple = all(
                isinstance(self.nodes[read], PatternNode | LogicNode) for read in node.reads
            )
            plain = (
                node.reset_by is None and not node.reset_ticks and _brief(self.score.terms[place])
            )
            return simple and plain and not _is_level(lane, self.score)
        if not isinstance(node, ValueNode) or self._is_read(place, node):
            return False
        if not _alone_on_its_output(lane, self.score) or node.transposer is not None:
            return False
        if isinstance(node, SampleNode):
            return self._surely_begun(place, (node.at,)) and not self._samples_meet(place, node)
        if _glides_meet(place, self.score, self.limits, self.nodes):
            return False
        if isinstance(node, ShapeNode):
            return not node.random and self._surely_begun(place, node.started_by)
        return isinstance(node, DecayNode)

    def _surely_begun(self, place: int, starts: tuple[int, ...]) -> bool:
        """Whether one of some lanes surely hits; notes within which time."""
        for start in starts:
            within = sure_within(self.nodes[start], self.limits)
            if within is not None:
                self.within[place] = self.within.get(place, 0.0) + within
                return True
        return False

    def _samples_meet(self, place: int, node: SampleNode) -> bool:
        """Whether a lane of samples may still glide when it takes the next one."""
        glide = _glide(place, float(self.score.steps[place]), self.score, self.limits)
        if not glide:
            return False
        apart = _apart(node.at, self.score, self.limits)
        apart -= 2.0 * self.limits.ms(self.limits.extremes(node.at, "humanise_ms")[1])
        return glide + 2.0 > apart - self._shifts(place)

    def _shifts(self, place: int) -> float:
        """By how many ticks the lateness of a lane of values may change."""
        extremes, unit = self.limits.extremes, float(self.score.steps[place])
        low, high = extremes(place, "shift")
        early, late = extremes(place, "shift_ms")
        return (high - low) * unit + self.limits.ms(late - early)

    def _settles(self, place: int, operands: tuple[Term, ...]) -> bool:
        """Whether one of some operands is a lane that surely hits, and is heard."""
        for term in operands:
            read = self.score.positions.get(term.name) if term.op == "lane" else None
            heard = read is not None and (term.before_mute or self.limits.unmuted(read))
            if read is not None and heard and self._surely_begun(place, (read,)):
                return True
        return False

    def _is_read(self, place: int, node: ValueNode) -> bool:
        """Whether another lane that is played on the way asks for the lane's values."""
        if any(drive.lane for drive in self.score.lanes[place].drives):
            return True
        return not (self.idle | self.tracing).issuperset(self.readers.get(place, ()))

    def _decides(self, place: int, node: LogicNode, term: Term) -> bool:
        """Whether a comparator with two levels soon forgets what was before, or can be told where
        it stands by the values that its line has had."""
        line = self.score.positions[term.terms[0].name]
        found = self.limits.rounds(line)
        within = None if found is None else decided_within(node, term, found)
        if within is not None:
            self.within[place] = self.within.get(place, 0.0) + within
            return True
        if line in self.untraced or node.reads != (line,) or not self._may_trace(line):
            return False
        self.traced.add(line)
        self.tracing.add(place)
        return True

    def _may_trace(self, place: int) -> bool:
        """Whether the values that a lane has from step to step are known in a row."""
        node, settled = self.nodes[place], self.limits.settled
        if not isinstance(node, WalkNode) or node.mover is not None or node.reset_by is not None:
            return False
        plain = not node.pitch and node.transposer is None and not node.reset_ticks
        if not plain or node.pacing.fresh or settled(place, "pace") != node.pacing.pace:
            return False
        if _glide(place, float(self.score.steps[place]), self.score, self.limits):
            return False
        return all(settled(place, name) is not None for name in ("low", "high", "walk_step"))

    def _lets_go(self, place: int, node: ValueNode) -> bool:
        """Whether of the moves of a lane of values only the last one leaves a trace."""
        if isinstance(node, DecayNode) and not _alone_on_its_output(
            self.score.lanes[place], self.score
        ):
            return False
        return not self._is_read(place, node) and not _glides_meet(
            place, self.score, self.limits, self.nodes
        )


def sure_within(node: Node, limits: Limits) -> float | None:
    """
    Within how many ticks a lane hits for sure, whenever one begins to look.

    Args:
        node: of the lane.
        limits: how far settings may come without a hand.

    Returns:
        Ticks, or None when nobody can be sure, or it is so long that playing does not take longer.
    """
    density, likely = (limits.settled(node.lane, name) for name in ("density", "chance"))
    if isinstance(node, LogicNode):
        return _crosses_within(node, limits) if density == 0.5 and likely == 1.0 else None
    if not isinstance(node, PatternNode) or node.passes_on is not None or node.shapes:
        return None
    passes = _passes(node, limits)
    if passes is None or density is None or likely is None or density < 0.5 or likely < 1.0:
        return None
    plain, full = passes
    gaps = _gaps(plain + full + plain + plain)
    pace = limits.settled(node.lane, "pace") or 0.0
    ticks = max(gaps, default=0) * float(node.pacing.written) * 2.0**-pace
    return ticks if 0.0 < ticks <= _LONGEST_WAIT_BARS * node.bar_ticks else None


def _crosses_within(node: LogicNode, limits: Limits) -> float | None:
    """The same of a derived lane that is made of lines which come round, and of nothing else."""
    if node.passes_on is not None:
        return None
    names = {leaf.name for leaf in node.expression.term.leaves() if leaf.op == "line"}
    lines = {name: limits.rounds(node.positions[name]) for name in names}
    within = hits_within(node, {name: one for name, one in lines.items() if one is not None})
    longest = _LONGEST_WAIT_BARS * node.bar_ticks
    return within if within is not None and within <= longest else None


def _passes(node: PatternNode, limits: Limits) -> tuple[Marks, Marks] | None:
    """What a lane that only its rate moves plays in a pass, and in one with a fill. None where that
    is not settled."""
    if node.reads or node.reset_ticks or node.drifting.changed:
        return None
    own = {name: limits.settled(node.lane, name) for name in (*node.names, "pace")}
    if None in own.values() or own.get("length") or own.get("drift"):
        return None
    source = node.source
    if isinstance(source, Euclid):
        marks = euclid(round(own["hits"] or 0.0), max(1, round(own["steps"] or 0.0)))
    elif isinstance(source, Steps):
        marks = source.marks
    else:
        assert isinstance(source, Every)
        marks = (1, *(0 for _ in range(source.n - 1)))
    marks = full = rotate(marks, round(own.get("rotate") or 0.0))
    if isinstance(source, Euclid) and source.fill is not None:
        full = filled(marks, euclid(source.fill.hits, source.fill.length))
        if source.fill.every == 1:
            marks = full
    plain, other = (played_order(one, node.cursor.direction) for one in (marks, full))
    return None if plain is None or other is None else (plain, other)


def _gaps(marks: Marks) -> list[int]:
    """How many steps lie from each hit to the next."""
    return [b - a for a, b in pairwise(step for step, mark in enumerate(marks) if mark)]


def _brief(term: Term) -> bool:
    """Whether an expression on gates remembers nothing for longer than its times."""
    return term.op in _BRIEF and all(_brief(part) for part in term.terms)


def _alone_on_its_output(lane: Lane, score: Score) -> bool:
    """Otherwise the order of its moves and of others decides who has the output."""
    return lane.out is None or sum(other.out == lane.out for other in score.lanes) == 1


def _glides_meet(place: int, score: Score, limits: Limits, nodes: Mapping[int, Node]) -> bool:
    """Whether a lane of values may still glide when it moves again. A glide begins where the one
    before it had come to, so each of them matters for as long as they meet."""
    lane = score.lanes[place]
    glide = _glide(place, float(score.steps[place]), score, limits)
    if not glide:
        return False
    if isinstance(lane.source, Decay):
        return True
    if isinstance(lane.advance, str):
        mover = score.positions[lane.advance]
        steps = _steps_apart(nodes[mover], limits)
        if steps is None:
            return True
        apart = _apart(mover, score, limits) + (steps - 1) * float(score.steps[mover])
        apart -= 2.0 * limits.ms(limits.extremes(mover, "humanise_ms")[1])
        return glide + 2.0 > apart - (float(score.steps[place]) - _apart(place, score, limits))
    if lane.reset is not None or any(limits.extremes(place, "pace")):
        return True
    return glide + 2.0 > _apart(place, score, limits)


def _steps_apart(node: Node, limits: Limits) -> int | None:
    """How many steps two hits of a lane are apart, at least; None when nobody can be sure."""
    if not isinstance(node, PatternNode) or limits.settled(node.lane, "pace"):
        return None
    density, passes = limits.settled(node.lane, "density"), _passes(node, limits)
    if passes is None or density is None or density > 0.5:
        return None
    plain, full = passes
    return min(_gaps(plain + full + plain + plain), default=None)


def _apart(place: int, score: Score, limits: Limits) -> float:
    """How many ticks two steps of a lane that goes by a rate are apart, at least."""
    extremes, step = limits.extremes, float(score.steps[place])
    swings = max(abs(percent - STRAIGHT) for percent in extremes(place, "swing")) / STRAIGHT
    early = [-bend for bend in score.spec.groove]
    apart = step - swings * max(step, score.spec.swing_step)
    apart -= GROOVE_STEP * (max(score.spec.groove, default=0.0) + max(early, default=0.0))
    for name, unit in (("shift", step), ("shift_ms", limits.ms(1.0))):
        low, high = extremes(place, name)
        apart -= (high - low) * unit
    return apart


def _glide(place: int, step: float, score: Score, limits: Limits) -> float:
    """The longest glide of a lane of values, in ticks; `step` is how long one of its steps is."""
    slew, slew_ms = (limits.extremes(place, name)[1] for name in GLIDES)
    source = score.lanes[place].source
    if isinstance(source, Notes) and any(note.glide for note in source.notes):
        slew = max(1.0, slew)
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
    left_out = passing.counted | passing.lasts | passing.idle
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
    extremes, ms = limits.extremes, limits.ms

    def most(name: str) -> float:
        return extremes(place, name)[1]

    # Swing, repeats, and the step itself: each at most a step, in half time of two.
    step = _longest_step(place, score, limits)
    ticks = step * (3.0 + most("shift")) + max(0.0, ms(most("shift_ms")))
    ticks += 2.0 * score.spec.swing_step + GROOVE_STEP
    ticks += passing.within.get(place, 0.0)
    if place in score.terms:
        ticks += _remembered(score.terms[place])
    if score.lanes[place].hits:
        ticks += ms(most("humanise_ms"))
        if place not in passing.counted:
            ticks += max(_longest_gate(read, score, limits) for read in score.reads[place])
    else:
        ticks += _glide(place, step, score, limits)
        if isinstance(score.lanes[place].source, Decay):
            ticks += ms(most("decay_ms"))
    return ticks


def _longest_step(place: int, score: Score, limits: Limits) -> float:
    """The longest step of a lane, in ticks. In half time it is twice as long, and so it is for
    lanes that one in half time moves."""
    led = not isinstance(score.lanes[place].advance, Fraction) or place in score.terms
    slow = led or limits.extremes(place, "pace")[0] < 0.0
    return (2.0 if slow else 1.0) * float(score.steps[place])


def _longest_gate(place: int, score: Score, limits: Limits) -> float:
    """The longest gate of a lane of hits, in ticks."""
    lane = score.lanes[place]
    gate, gate_ms = (limits.extremes(place, name)[1] for name in ("gate", "gate_ms"))
    step = _longest_step(place, score, limits)
    longest = max(step * gate, limits.ms(gate_ms))
    if isinstance(lane.source, Steps):
        own = (shape.gate for shape in lane.source.shapes if shape is not None)
        longest = max(longest, *(step * gate for gate in own if gate), 0.0)
    return LONGEST_GATE_BARS * score.spec.bar_ticks if lane.tie else longest


def _remembered(term: Term) -> float:
    """An upper bound of how long the timed functions of an expression remember, in ticks."""
    own = float(term.numbers[0]) if term.op in _TIMED and term.numbers else 0.0
    return own + sum(_remembered(part) for part in term.terms)


def reach_of(
    score: Score, overrides: Sequence[Mapping[tuple[int, str], float]]
) -> dict[tuple[int, str], tuple[float, float]]:
    """What sections and drives may make of the settings that let a lane sound early, or glide."""
    reach: dict[tuple[int, str], tuple[float, float]] = {}
    for over in overrides:
        for key, value in over.items():
            if key[1] in _REACHED:
                low, high = reach.get(key, (value, value))
                reach[key] = (min(low, value), max(high, value))
    drives: list[Drive] = [drive for lane in score.lanes for drive in lane.drives]
    drives += [drive for macro in score.spec.macros for drive in macro.drives]
    for drive in drives:
        if drive.lane is not None and drive.setting in _REACHED:
            setting = SETTINGS[drive.setting]
            reach[(score.positions[drive.lane], setting.name)] = (setting.low, setting.high)
    return reach
