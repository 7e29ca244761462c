"""The nodes of a score playing together, and playing ahead.

Some lengths are only known from what comes next: a tie lasts until the lane's next hit, a derived
gate until the result falls. For these a second, smaller ensemble takes over the state of the lanes
concerned, plays on by itself, and is thrown back when the answer is found.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from bridge.music.gates import GatesNode
from bridge.music.hits import PatternNode
from bridge.music.logic import LogicNode
from bridge.music.mix import pitch_outputs
from bridge.music.model import TICKS_PER_QUARTER, Logic
from bridge.music.node import Node, Window
from bridge.music.performance import Performance
from bridge.music.score import Score
from bridge.music.value_node import ValueNode
from bridge.music.values import build_node

MS_PER_MINUTE = 60000
AHEAD_TICKS = TICKS_PER_QUARTER // 2

Kept = tuple[dict[int, dict[str, Any]], dict[int, int]]


def build(score: Score, place: int) -> Node:
    """A fresh node for the lane at position `place`."""
    lane = score.lanes[place]
    positions = dict(score.positions)
    reset = positions[lane.reset] if isinstance(lane.reset, str) else None
    source = lane.source
    if isinstance(source, Logic):
        term, step = score.terms[place], score.steps[place]
        if source.by == "gates":
            return GatesNode(place, score.spec, step, term, positions, reset, dict(score.outputs))
        return LogicNode(place, score.spec, step, term, positions, reset, score.states)
    if lane.hits:
        advance = positions[lane.advance] if isinstance(lane.advance, str) else None
        return PatternNode(place, score.spec, score.steps[place], advance, reset)
    node = build_node(place, score.spec, lane, positions, pitch_outputs(score))
    leaves = (leaf for term in score.terms.values() for leaf in term.leaves())
    if isinstance(node, ValueNode) and any((x.op, x.name) == ("line", lane.name) for x in leaves):
        node.read = True
    return node


class Ensemble:
    """The nodes of some lanes of a score; `places` must hold all that these lanes read."""

    def __init__(self, score: Score, performance: Performance, places: Iterable[int]) -> None:
        self.score = score
        self.performance = performance
        wanted = set(places)
        self.nodes: dict[int, Node] = {
            place: build(score, place) for place in score.order if place in wanted
        }
        self._ordered = list(self.nodes.values())
        self._below: dict[int, Ensemble] = {}
        self._hand: dict[int, int] = {}
        self._start = 0
        self._version = -1
        self._ticks_per_ms = 0.0

    # --- what windows ask ---

    def value(self, lane: int, tick: int) -> float:
        return self.nodes[lane].value_at(tick)

    def heard(self, lane: int, tick: int) -> float:
        node = self.nodes[lane]
        assert isinstance(node, ValueNode)
        return node.heard_at(tick)

    def ms(self, ms: float) -> float:
        return ms * self._ticks_per_ms

    def _fixed(self, lane: int, name: str) -> bool:
        return self.performance.fixed(lane, name, self._start)

    def _reset_by_hand(self, lane: int) -> int:
        return self._hand.get(lane, -1)

    # --- playing ---

    def look(self, tick: int) -> bool:
        """See whether anything that holds from `tick` on is new."""
        version = self.performance.version(tick)
        if version == self._version:
            return False
        self._version = version
        self._ticks_per_ms = self.performance.tempo_at(tick) * TICKS_PER_QUARTER / MS_PER_MINUTE
        return True

    def run(self, start: int, end: int) -> Window:
        """Play one window: from `start` to `end`, or to where the performance changes by itself."""
        performance = self.performance
        self._start = start
        self.look(start)
        change = performance.next_change(start)
        if change is not None and change < end:
            end = change
        window = Window(
            start,
            end,
            performance.setting,
            performance.muted,
            self.value,
            self.ms,
            version=self._version,
            reset_by_hand=self._reset_by_hand,
            fixed=self._fixed,
            heard=self.heard,
            ahead=self._ahead,
        )
        for node in self._ordered:
            if node.due < end:
                node.run(window)
        return window

    def reset(self, lane: int, tick: int) -> None:
        """Note a reset by hand."""
        self._hand[lane] = tick

    def rewind(self) -> None:
        self._hand.clear()
        self._version = -1
        for node in self._ordered:
            node.rewind()

    def adopt(self, old: Ensemble, tick: int, places: Mapping[str, int] | None = None) -> None:
        """Go on at `tick` where `old` is; lanes are the same by name. `places` says where in `old`
        the lanes of this one are, when some had other names there."""
        if places is None:
            places = old.score.positions
        self._hand.clear()
        self._version = -1
        for place, node in self.nodes.items():
            other = places.get(self.score.lanes[place].name)
            carry: dict[str, Any] = {}
            # A lane of values that has become one of hits (or the other way) begins anew.
            same = other is not None and old.score.lanes[other].hits == self.score.lanes[place].hits
            if other is not None and same and other in old.nodes:
                carry = old.nodes[other].carry()
                if other in old._hand:
                    self._hand[place] = old._hand[other]
            node.adopt({**carry, "at": tick})

    def fall_in(self, tick: int) -> None:
        """Every lane as a new one that comes in at `tick`: nothing of the way there is played."""
        self._hand.clear()
        self._version = -1
        for node in self._ordered:
            node.adopt({"at": tick})

    def keep(self) -> Kept:
        """The state of all nodes, for `go_back`."""
        return {place: node.carry() for place, node in self.nodes.items()}, dict(self._hand)

    def go_back(self, kept: Kept, tick: int) -> None:
        """Be as `keep` found it, at the tick it was called at."""
        carries, hand = kept
        self._hand = dict(hand)
        self._version = -1
        for place, node in self.nodes.items():
            node.adopt({**carries[place], "at": tick})

    # --- playing ahead ---

    def _ahead(self, lane: int, window: Window) -> Iterator[tuple[Node, Window]]:
        """What comes after `window` for `lane`, with everything as it is now: windows already
        played, each with the lane's twin."""
        below = self._below.get(lane)
        if below is None:
            below = Ensemble(self.score, self.performance, _cone(self.score, lane))
            below.nodes[lane].alone = True  # type: ignore[attr-defined]
            self._below[lane] = below
        below.adopt(self, window.end)
        start = window.end
        while True:
            lane_value, self.performance.lane_value = self.performance.lane_value, below.value
            try:
                part = below.run(start, start + AHEAD_TICKS)
            finally:
                self.performance.lane_value = lane_value
            yield below.nodes[lane], part
            start = part.end


def _cone(score: Score, lane: int) -> set[int]:
    """`lane` and all that it reads, directly or not."""
    cone: set[int] = set()
    new = {lane}
    while new:
        cone |= new
        new = {read for place in new for read in score.reads[place]} - cone
    return cone
