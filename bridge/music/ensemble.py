"""The nodes of a score playing together, and playing ahead.

Some lengths are only known from what comes next: a tie lasts until the lane's next hit, a derived
gate until the result falls. For these a second, smaller ensemble takes over the state of the lanes
concerned, plays on by itself, and is thrown back when the answer is found.

A section may have lanes made of something else. Then their nodes are changed at the very tick of
the section, each taking over what the one before it carries; the nodes of all other lanes stay.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from bridge.music.feedback import Feedback, circles
from bridge.music.gates import GatesNode
from bridge.music.hits import PatternNode
from bridge.music.logic import LogicNode, LogicState
from bridge.music.memory import Memory
from bridge.music.mix import pitch_outputs
from bridge.music.model import TICKS_PER_QUARTER, Lane, Logic
from bridge.music.node import NOTHING, Node, Passing, Period, Runs, Window
from bridge.music.performance import Performance, Settings
from bridge.music.sampled import SampledNode
from bridge.music.score import Score
from bridge.music.value_node import Placed, ValueNode
from bridge.music.values import build_node

MS_PER_MINUTE = 60000
AHEAD_TICKS = TICKS_PER_QUARTER // 2

Kept = tuple[dict[int, object], dict[int, int], int | None]


def build(score: Score, place: int) -> Node:
    """
    A fresh node.

    Args:
        score: what it plays a part of.
        place: the position of its lane in the score.

    Returns:
        The node, at the first tick.
    """
    lane = score.lanes[place]
    positions = dict(score.positions)
    reset = positions[lane.reset] if isinstance(lane.reset, str) else None
    source = lane.source
    if isinstance(source, Logic):
        term, step = score.terms[place], score.steps[place]
        if source.compare == "gates":
            return GatesNode(place, score.spec, step, term, positions, reset, dict(score.outputs))
        return LogicNode(place, score.spec, step, term, positions, reset, score.states)
    if lane.hits:
        advance = positions[lane.advance] if isinstance(lane.advance, str) else None
        return PatternNode(place, score.spec, score.steps[place], advance, reset)
    node = build_node(Placed(place, score.spec, lane, positions, pitch_outputs(score)))
    leaves = (leaf for term in score.terms.values() for leaf in term.leaves())
    if isinstance(node, ValueNode) and any((x.op, x.name) == ("line", lane.name) for x in leaves):
        node.read = True
    return node


class Ensemble:
    """The nodes of some lanes of a score; `places` must hold all that these lanes read, in every
    section."""

    def __init__(
        self,
        score: Score,
        performance: Performance,
        places: Iterable[int],
        lags: dict[int, int] | None = None,
        nodes: dict[int, Node] | None = None,
    ) -> None:
        """`lags` says how far behind the grid lanes of values and on gates are, by position; the
        renderer sets it. `nodes` are fresh ones, where they are built already."""
        self.score = score
        self.performance = performance
        self.settings = Settings(performance, self.value)
        self.lags: dict[int, int] = {} if lags is None else lags
        wanted = set(places)
        self.nodes: dict[int, Node] = nodes or {
            place: build(score, place) for place in score.order if place in wanted
        }
        self._ordered: list[Runs] = list(self.nodes.values())
        self._memories = _memories(self.nodes.values())
        self._form: int | None = None
        self._spare: dict[tuple[int | None, int], Node] = {}
        self._changes: dict[tuple[int | None, int | None], tuple[int, ...]] = {}
        self._below: dict[int, Ensemble] = {}
        self._hand: dict[int, int] = {}
        self._start = 0
        self._version = -1
        self._asked = -1
        """The version with which those that read other lanes were asked last."""
        self._ticks_per_ms = 0.0
        self._circles: tuple[Passing, list[Node | Feedback] | None] | None = None

    # --- what windows ask ---

    def value(self, lane: int, tick: int) -> float:
        return self.nodes[lane].value_at(tick)

    def heard(self, lane: int, tick: int) -> float:
        node = self.nodes[lane]
        assert isinstance(node, ValueNode)
        return node.heard_at(tick)

    def ms(self, ms: float) -> float:
        return ms * self._ticks_per_ms

    def _bounds(self, lane: int, name: str) -> tuple[float, float]:
        return self.settings.bounds(lane, name, self._start, self._bounds_of_line)

    def _bounds_of_line(self, lane: int, tick: int) -> tuple[float, float]:
        node = self.nodes[lane]
        assert isinstance(node, ValueNode)
        return node.bounds(tick, self._version)

    def _period(self, lane: int, name: str) -> Period | None:
        return self.settings.period(lane, name, self._start, self._period_of_line)

    def _period_of_line(self, lane: int, tick: int) -> Period | None:
        node = self.nodes[lane]
        assert isinstance(node, ValueNode)
        return node.period(tick, self._version)

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
        form = self.performance.form(tick)
        if form != self._form:
            self._change_form(form, tick)
        self._ticks_per_ms = self.performance.tempo_at(tick) * TICKS_PER_QUARTER / MS_PER_MINUTE
        return True

    def run(
        self, start: int, end: int, quiet: int | None = None, passing: Passing = NOTHING
    ) -> Window:
        """Play one window: from `start` to `end`, or to where the performance changes by itself.
        Of a `quiet` one only what sounds later than so many ticks before its end is wanted;
        `passing` says what else may be left out."""
        performance = self.performance
        self._start = start
        self.look(start)
        change = performance.next_change(start)
        if change is not None and change < end:
            end = change
        window = Window(
            start,
            end,
            self.settings.setting,
            performance.muted,
            self.value,
            self.ms,
            version=self._version,
            reset_by_hand=self._reset_by_hand,
            fixed=self._fixed,
            heard=self.heard,
            ahead=self._ahead,
            bounds=self._bounds,
            period=self._period,
            passing=passing,
        )
        self.leave_out(passing.idle)
        if self._memories:
            window.quiet_to = 0 if quiet is None else end - quiet
            if passing is not NOTHING and self._pass_circles(window):
                return window
            for memories in self._memories.values():
                for memory in memories:
                    window.end = end = min(end, memory.next_step(start))
        window.quiet_to = 0 if quiet is None else end - quiet
        ordered = self._ordered
        if passing.idle:
            ordered = [node for node in ordered if node.lane not in passing.idle]
        asks = self._asked != self._version or passing is not NOTHING
        self._asked = self._version
        hits, changes = window.hits, window.changes
        does: set[int] = set()  # the lanes that do something in this window
        for node in ordered:
            if node.due < end or (node.reads and (asks or not does.isdisjoint(node.reads))):
                node.run(window)
                lane = node.lane
                if hits.get(lane) or changes.get(lane):
                    does.add(lane)
                if self._memories and lane in self._memories:
                    self._remember(window, lane)
        return window

    def leave_out(self, lanes: Iterable[int]) -> None:
        """Lanes of these that are sampled begin with the next sample when they are played again."""
        for lane in lanes:
            node = self.nodes[lane]
            if isinstance(node, SampledNode):
                node.asleep = True

    def _pass_circles(self, window: Window) -> bool:
        """Play a window on the way to a far place with the lanes that look back gone through many
        steps at once; False where that is not possible, and nothing was done."""
        if self._circles is None or self._circles[0] is not window.passing:
            form = self.score.form(self._form)
            ordered = [self.nodes[place] for place in form.order]
            found = circles(ordered, form.reads, window.passing)
            self._circles = window.passing, found
        found = self._circles[1]
        if found is None:
            return False
        if not all(runs.fits(window) for runs in found if isinstance(runs, Feedback)):
            return False
        self._asked = self._version
        for runs in found:
            if runs.due < window.end or runs.reads:
                runs.run(window)
        for lane in self._memories:
            self._remember(window, lane)
        return True

    def _remember(self, window: Window, lane: int) -> None:
        """Tell the lanes that look back at a lane what it has done."""
        hits = window.hits.get(lane, ())
        if hits:
            muted = window.muted(lane, window.start)
            for memory in self._memories[lane]:
                memory.hear(lane, hits, muted)

    # --- sections that change what lanes are made of ---

    def _change_form(self, form: int | None, tick: int, begin: bool = True) -> None:
        """Play as the section `form` has it from `tick` on. Lanes that it makes of something else
        begin at their first step (unless told not to); all others go on."""
        old, new = self.score.form(self._form), self.score.form(form)
        bar = self.score.spec.bar_ticks
        changed = self._changes.get((self._form, form))
        if changed is None:
            changed = self._changes[self._form, form] = _rebuilt(old, new)
        for place in changed:
            before = self.nodes.get(place)
            if before is None:
                continue
            node = self._node(form, place)
            lane, was = new.lanes[place], old.lanes[place]
            node.adopt(before.carry(), tick)
            if begin and _position(lane) != _position(was):
                node.restart(tick, tick // bar * bar)
            self._spare[self._form, place] = before
            self.nodes[place] = node
        self._form = form
        self._ordered = [self.nodes[place] for place in new.order if place in self.nodes]
        self._memories = _memories(self.nodes.values())

    def _node(self, form: int | None, place: int) -> Node:
        node = self._spare.pop((form, place), None)
        if node is None:
            node = build(self.score.form(form), place)
        if isinstance(node, ValueNode | GatesNode):
            node.lag = self.lags.get(place, 0)
        return node

    def _as_kept(self, form: int | None) -> None:
        """Have the nodes of a section, to be given what they carry."""
        if form != self._form:
            self._change_form(form, 0, begin=False)

    def preparing(self) -> Iterator[None]:
        """Build what sections will need, one node after the other, so that none of it is built when
        their hits are due."""
        before: Score = self.score
        for form, variant in enumerate(self.score.variants):
            if variant is not None:
                for place in _rebuilt(before, variant):
                    if place in self.nodes:
                        self._spare[form, place] = build(variant, place)
                        yield

    @property
    def version(self) -> int:
        """Of what holds, as it was looked at last (see `Window.version`)."""
        return self._version

    @property
    def has_run(self) -> bool:
        """Whether a window was played since anything was changed."""
        return self._asked == self._version

    def reset_from(self, tick: int) -> bool:
        """Whether a hand has reset a lane at a tick or after it."""
        return any(at >= tick for at in self._hand.values())

    def reset(self, lane: int, tick: int) -> None:
        """Note a reset by hand."""
        self._hand[lane] = tick
        self._asked = -1

    def rewind(self) -> None:
        self._as_kept(None)
        self._hand.clear()
        self._version = -1
        for node in self.nodes.values():
            node.rewind()

    def adopt(self, old: Ensemble, tick: int, places: Mapping[str, int] | None = None) -> None:
        """Go on at `tick` where `old` is; lanes are the same by name. `places` says where in `old`
        the lanes of this one are, when some had other names there."""
        if places is None:
            places = old.score.positions
        self._as_kept(self._same_form(old))
        self._hand.clear()
        self._version = -1
        names = enumerate(lane.name for lane in self.score.lanes)
        now = {places[name]: place for place, name in names if name in places}
        for place, node in self.nodes.items():
            other = places.get(self.score.lanes[place].name)
            carry: object = None
            # A lane of values that has become one of hits (or the other way) begins anew.
            same = other is not None and old.score.lanes[other].hits == self.score.lanes[place].hits
            if other is not None and same and other in old.nodes:
                carry = old.nodes[other].carry()
                if other in old._hand:
                    self._hand[place] = old._hand[other]
                if isinstance(carry, LogicState):
                    known = carry.past.items()
                    past = {now[lane]: hits for lane, hits in known if lane in now}
                    carry = replace(carry, past=past)
            node.adopt(carry, tick)

    def _same_form(self, old: Ensemble) -> int | None:
        """The section of this score that is called as the one which `old` plays."""
        if old._form is None or old.score is self.score:
            return old._form
        name = old.score.spec.sections[old._form].name
        sections = self.score.spec.sections
        return next((i for i, s in enumerate(sections) if s.name == name and s.rewrites), None)

    def fall_in(self, tick: int) -> None:
        """Every lane as a new one that comes in at `tick`: nothing of the way there is played."""
        self._as_kept(self.performance.form(tick))
        self._hand.clear()
        self._version = -1
        for node in self.nodes.values():
            node.adopt(None, tick)

    def keep(self) -> Kept:
        """The state of all nodes, for `go_back`."""
        nodes = {place: node.carry() for place, node in self.nodes.items()}
        return nodes, dict(self._hand), self._form

    def go_back(self, kept: Kept, tick: int) -> None:
        """Be as `keep` found it, at the tick it was called at."""
        carries, hand, form = kept
        self._as_kept(form)
        self._hand = dict(hand)
        self._version = -1
        for place, node in self.nodes.items():
            node.adopt(carries[place], tick)

    # --- playing ahead ---

    def _ahead(self, lane: int, window: Window) -> Iterator[tuple[Node, Window]]:
        """What comes after `window` for `lane`, with everything as it is now: windows already
        played, each with the lane's twin."""
        below = self._below.get(lane)
        if below is None:
            below = Ensemble(self.score, self.performance, _cone(self.score, lane), self.lags)
            self._below[lane] = below
        below.adopt(self, window.end)
        start = window.end
        while True:
            below.look(start)
            below.nodes[lane].alone = True
            part = below.run(start, start + AHEAD_TICKS)
            yield below.nodes[lane], part
            start = part.end


def _memories(nodes: Iterable[Node]) -> dict[int, list[Memory]]:
    """By the position of a lane, the memories of the lanes that look back at it."""
    found: dict[int, list[Memory]] = {}
    for node in nodes:
        if isinstance(node, LogicNode) and node.memory is not None:
            for place in node.memory.places:
                found.setdefault(place, []).append(node.memory)
    return found


def _cone(score: Score, lane: int) -> set[int]:
    """`lane` and all that it reads, directly or not, in any section."""
    cone: set[int] = set()
    new = {lane}
    while new:
        cone |= new
        new = {read for form in score.forms for place in new for read in form.reads[place]} - cone
    return cone


def _position(lane: Lane) -> tuple[object, ...]:
    """What of a lane says where it is: when it is another one, the lane begins anew."""
    return lane.source, lane.advance, lane.direction, lane.reset


def _rebuilt(old: Score, new: Score) -> tuple[int, ...]:
    """The lanes whose nodes are not the same in both: those that differ, all that read them (for
    their steps, the kind of their values, what they are true between hits), and those that they
    read (which keep what is asked of them)."""
    spec, other = old.spec, new.spec
    key = (spec.root, spec.scale) != (other.root, other.scale)
    places = {
        place
        for place, (lane, before) in enumerate(zip(new.lanes, old.lanes, strict=True))
        if lane != before or (key and not lane.hits)
    }
    if not places:
        return ()
    below = {read for form in (old, new) for place in places for read in form.reads[place]}
    waiting = set(places)
    while waiting:
        waiting = {
            place
            for form in (old, new)
            for place, reads in enumerate(form.reads)
            if waiting.intersection(reads)
        } - places
        places |= waiting
    return tuple(sorted(places | below))
