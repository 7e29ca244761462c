"""Playing a score: the player asks for the next few milliseconds, the offline renderer for hours.

The grid is evaluated a little ahead of what is asked for, as far as lanes may sound early (shift,
humanise); what is not due yet waits. Windows of any size give the same events.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

from .event import Event
from .gates import GatesNode
from .hits import PatternNode
from .logic import LogicNode
from .mix import Mixer, pitch_outputs
from .model import SETTINGS, TICKS_PER_QUARTER, Drive, Euclid, Every, Logic, Steps
from .node import SOUNDING, Node, Window
from .performance import Performance
from .score import Score
from .values import build_node

MS_PER_MINUTE = 60000
_EARLY = ("shift", "shift_ms", "humanise_ms")


def build_nodes(score: Score) -> list[Node]:
    """One fresh node per lane, by position."""
    nodes = [_build(score, place) for place in range(len(score.lanes))]
    _connect(score, dict(enumerate(nodes)))
    return nodes


def _connect(score: Score, nodes: Mapping[int, Node]) -> None:
    """Show lanes that work on gates where to find what they derive from."""
    for place, node in nodes.items():
        if isinstance(node, GatesNode):
            node.connect(partial(_cone, score, nodes, place))


def _cone(score: Score, nodes: Mapping[int, Node], lane: int) -> list[tuple[Node, Node]]:
    """(node at play, fresh twin) of every lane that `lane` derives from, in order."""
    below: set[int] = set()
    new = set(nodes[lane].reads)
    while new:
        below |= new
        new = {read for place in new for read in nodes[place].reads} - below
    twins = {place: _build(score, place) for place in below}
    _connect(score, twins)
    return [(nodes[place], twins[place]) for place in score.order if place in below]


def _build(score: Score, place: int) -> Node:
    lane = score.lanes[place]
    positions = dict(score.positions)
    reset = positions[lane.reset] if isinstance(lane.reset, str) else None
    source = lane.source
    if isinstance(source, Logic):
        term, step = score.terms[place], score.steps[place]
        if source.by == "gates":
            return GatesNode(place, score.spec, step, term, positions, reset, dict(score.outputs))
        return LogicNode(place, score.spec, step, term, positions, reset)
    if isinstance(source, Euclid | Steps | Every):
        advance = positions[lane.advance] if isinstance(lane.advance, str) else None
        own_swing = "swing" in lane.settings
        return PatternNode(place, score.spec, score.steps[place], own_swing, advance, reset)
    return build_node(place, score.spec, lane, positions, pitch_outputs(score))


class Renderer:
    """
    A score at play.

    `position` is the tick up to which events have been given out. The caller applies commands to
    `performance` between two calls of `advance`, at ticks not before `position`.
    """

    def __init__(self, score: Score, performance: Performance) -> None:
        self.score = score
        self.performance = performance
        self.position = 0
        self._nodes = build_nodes(score)
        self._ordered = [self._nodes[place] for place in score.order]
        self._hit_lanes = [place for place, lane in enumerate(score.lanes) if lane.hits]
        self._outs = [lane.out for lane in score.lanes]
        self._mixer = Mixer(score)
        self._grid = 0
        self._waiting: list[tuple[Event, bool]] = []
        self._hand: dict[int, int] = {}
        self._version = -1
        self._ticks_per_ms = 0.0
        self._ahead = 0
        self._reach = _reach(score)
        performance.lane_value = self._value

    # --- the caller's side ---

    def advance(self, to_tick: int) -> list[Event]:
        """
        The events with position <= tick < `to_tick`, in the order they are to be sent: by tick,
        values before hits, lanes as written. What could not be known in time (a lane just shifted
        early by hand) comes at once, at `position`.
        """
        if to_tick <= self.position:
            return []
        self.performance.settle(self.position)
        while True:
            self._look()
            if self._grid >= to_tick + self._ahead:
                break
            self._evaluate(to_tick + self._ahead)
        given = self._take(to_tick)
        given += self._mixer.events(to_tick, self.performance)
        given.sort(key=_sending_order)
        self.position = to_tick
        return given

    def seek(self, tick: int) -> None:
        """Go to `tick` as if everything had been played from the start with the performance as it
        is now. Costs time in proportion to the way."""
        self.rewind()
        while self._grid < tick:
            self._look()
            self._evaluate(tick)
        self._mixer.events(tick, self.performance)
        self._waiting = [(event, silent) for event, silent in self._waiting if event.tick >= tick]
        self.position = tick

    def rewind(self) -> None:
        """Back to the first tick."""
        for node in self._nodes:
            node.rewind()
        self._mixer.rewind()
        self._waiting.clear()
        self._hand.clear()
        self._grid = self.position = 0
        self._version = -1

    def reset(self, lane: str) -> None:
        """Send a lane to its first step, as it began: passes count from 1, drift is gone."""
        self._hand[self.score.positions[lane]] = self._grid

    def adopt(self, old: Renderer) -> None:
        """
        Go on where `old` is: lanes of the same name take over its counters, new lanes fall in as
        if they had always played. What `old` still had waiting is left behind for lanes that are
        gone or have changed their way of sounding; O(lanes).
        """
        at = old._grid
        for name, place in self.score.positions.items():
            other = old.score.positions.get(name)
            carry: dict[str, Any] = {}
            if other is not None:
                carry = old._nodes[other].carry()
            self._nodes[place].adopt({**carry, "at": at})
            if other is not None and other in old._hand:
                self._hand[place] = old._hand[other]
        self._grid = at
        self.position = old.position
        self._waiting = []
        for event, silent in old._waiting:
            new_place = self.score.positions.get(old.score.lanes[event.lane].name)
            if new_place is not None:
                moved = event._replace(lane=new_place, output=self._outs[new_place], causes=())
                self._waiting.append((moved, silent))
        self._mixer.adopt(old._mixer)
        self._version = -1

    def hold_values(self) -> list[Event]:
        """The present value of every pitch and level output, as events at `position`."""
        self._look()
        return self._mixer.hold(self.position, self.performance)

    # --- evaluation ---

    def _value(self, lane: int, tick: int) -> float:
        return self._nodes[lane].value_at(tick)

    def _ms(self, ms: float) -> float:
        return ms * self._ticks_per_ms

    def _fixed(self, lane: int, name: str) -> bool:
        return self.performance.fixed(lane, name, self._grid)

    def _reset_by_hand(self, lane: int) -> int:
        return self._hand.get(lane, -1)

    def _look(self) -> None:
        """See whether anything that holds from here on is new."""
        performance = self.performance
        version = performance.version(self._grid)
        if version == self._version:
            return
        self._version = version
        self._ticks_per_ms = performance.tempo_at(self._grid) * TICKS_PER_QUARTER / MS_PER_MINUTE
        self._ahead = self._earliest()

    def _earliest(self) -> int:
        """How far before its grid tick a hit or change may sound, with settings as they are and as
        sections and drives may make them."""
        early = [0] * len(self._nodes)
        for node in self._ordered:
            place = node.lane
            shift, shift_ms, humanise_ms = (self._extremes(place, name) for name in _EARLY)
            own = -shift[0] * float(self.score.steps[place])
            own += self._ms(humanise_ms[1]) - self._ms(shift_ms[0])
            causes = max((early[read] for read in node.reads), default=0)
            early[place] = int(own) + 1 if own > 0 else 0
            if isinstance(node, GatesNode):
                node.lag = causes
                early[place] += causes
            elif not self.score.lanes[place].hits:
                early[place] += causes
        return max(early, default=0)

    def _extremes(self, lane: int, name: str) -> tuple[float, float]:
        """The lowest and highest value a setting may come to without a hand."""
        base = self.performance.at(self._grid).base[lane][name]
        low, high = self._reach.get((lane, name), (base, base))
        return min(low, base), max(high, base)

    def _evaluate(self, end: int) -> None:
        """One window: from the grid to `end`, or to where the performance changes by itself."""
        performance = self.performance
        start = self._grid
        change = performance.next_change(start)
        if change is not None and change < end:
            end = change
        window = Window(
            start, end, performance.setting, performance.muted, self._value, self._ms,
            version=self._version, reset_by_hand=self._reset_by_hand, fixed=self._fixed,
        )  # fmt: skip
        for node in self._ordered:
            if node.due < end:
                node.run(window)
        hits = window.hits
        for place in self._hit_lanes:
            if place in hits:
                self._collect(place, hits[place])
        self._mixer.hear(window)
        self._grid = end

    def _collect(self, place: int, hits: Sequence[Any]) -> None:
        out = self._outs[place]
        waiting = self._waiting
        unheard = self.performance.unheard
        for hit in hits:
            if hit.there & SOUNDING:
                event = Event(
                    hit.tick, place, "hit", hit.level, hit.length, out, hit.grid, hit.causes
                )
                waiting.append((event, unheard(place, hit.grid)))

    def _take(self, to_tick: int) -> list[Event]:
        """Hits that are due, without those of lanes that are out.

        A hit must be heard where it belongs and where it sounds: a mute at the bar line also takes
        the early hit on that bar line and the late one from before it.
        """
        position = self.position
        unheard = self.performance.unheard
        given: list[Event] = []
        later: list[tuple[Event, bool]] = []
        for entry in self._waiting:
            event, silent = entry
            if event.tick >= to_tick:
                later.append(entry)
                continue
            if event.grid >= position:
                silent = unheard(event.lane, event.grid)
            if silent or (event.tick > event.grid and unheard(event.lane, event.tick)):
                continue
            if event.tick < position:
                event = event._replace(tick=position)
            given.append(event)
        self._waiting = later
        return given


def _sending_order(event: Event) -> tuple[int, bool, int]:
    return (event.tick, event.kind == "hit", event.lane)


def _reach(score: Score) -> dict[tuple[int, str], tuple[float, float]]:
    """What sections and drives may make of the settings that let a lane sound early."""
    reach: dict[tuple[int, str], tuple[float, float]] = {}
    for section in score.spec.sections:
        for lane, values in section.lanes.items():
            for name, value in values.items():
                if name in _EARLY:
                    key = (score.positions[lane], name)
                    low, high = reach.get(key, (value, value))
                    reach[key] = (min(low, value), max(high, value))
    drives: list[Drive] = [drive for lane in score.lanes for drive in lane.drives]
    drives += [drive for macro in score.spec.macros for drive in macro.drives]
    for drive in drives:
        if drive.lane is not None and drive.setting in _EARLY:
            setting = SETTINGS[drive.setting]
            reach[(score.positions[drive.lane], setting.name)] = (setting.low, setting.high)
    return reach
