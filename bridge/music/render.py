"""Playing a score: the player asks for the next few milliseconds, the offline renderer for hours.

The grid is evaluated a little ahead of what is asked for, as far as lanes may sound early (shift,
humanise); what is not due yet waits. Windows of any size give the same events.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from bridge.music.collecting import no_collecting
from bridge.music.ensemble import Ensemble
from bridge.music.event import Event
from bridge.music.gates import GatesNode
from bridge.music.hits import PatternNode
from bridge.music.line import CONTROL_GRID
from bridge.music.marks import Mark as Mark
from bridge.music.marks import Stood as Stood
from bridge.music.marks import Way
from bridge.music.mix import Mixer
from bridge.music.model import Logic
from bridge.music.names import SAME, after
from bridge.music.node import NOTHING, SOUNDING, Hit, Node, Passing
from bridge.music.passing import FEEL, Limits, margin_of, passing_of, reach_of
from bridge.music.performance import Performance
from bridge.music.score import Score
from bridge.music.settled import Settled
from bridge.music.stepped import SteppedNode
from bridge.music.ticks import GROOVE_STEP, STRAIGHT
from bridge.music.value_node import ValueNode
from bridge.protocol.performing import Mute

MARK_BARS = 4
MOST_MARKS = 16
"""Places that are remembered to jump back to. The older ones are thinned out."""
PASS_BARS = 512
"""Bars that lanes count at once on the way to a far place."""


class Renderer:
    """
    A score at play.

    `position` is the tick up to which events have been given out. The caller applies commands to
    `performance` between two calls of `advance`, at ticks not before `position`.
    """

    def __init__(
        self,
        score: Score,
        performance: Performance,
        *,
        remembers: bool = True,
        nodes: dict[int, Node] | None = None,
    ) -> None:
        """
        Args:
            score: what is played.
            performance: what is set by hand; the caller goes on to change it.
            remembers: keeps dozens of places to go back to, tens of kilobytes each. Without them a
                way back is played from the start.
            nodes: fresh ones by position, built beforehand; then `preparing` is the caller's.
        """
        self.score = score
        self.performance = performance
        self._remembers = remembers
        self.position = 0
        self._ensemble = Ensemble(score, performance, score.order, nodes=nodes)
        self.preparing = self._ensemble.preparing
        if nodes is None:
            for _ in self.preparing():
                pass
        self._outs = [lane.out for lane in score.lanes]
        self._mixer = Mixer(score, self._ensemble.settings)
        self._grid = 0
        self._waiting: list[tuple[Event, bool]] = []
        self._given_from = 0  # hits before it are on the way to there, and not given out
        self._goal = 0  # where the way leads
        self._exact_from = 0  # what was left out on the way matters before that tick
        self._far: tuple[Passing, int] | None = None  # what may be left out, how long before a goal
        self._marks: list[Mark] = []
        self._next_mark = MARK_BARS * score.spec.bar_ticks
        self._ahead = 0
        self._reach = reach_of(score, performance.index.overrides)

    # --- the caller's side ---

    def advance(self, to_tick: int) -> list[Event]:
        """
        The events with position <= tick < `to_tick`, in the order they are to be sent: by tick,
        values before hits, lanes as written. What could not be known in time (a lane just shifted
        early by hand) comes at once, at `position`.
        """
        if to_tick <= self.position:
            return []
        if self.position < self._exact_from:  # in the middle of the way to a far place
            self.seek(self.position)
        self.performance.settle(self.position)
        given: list[Event] = []
        self._evaluate_for(to_tick, lambda tick, now: given.extend(self._mixer.events(tick, now)))
        given += self._take(to_tick)
        given.sort(key=_sending_order)
        self.position = to_tick
        return given

    def seek(self, tick: int, goal: int | None = None) -> None:
        """
        Go to `tick` as if everything up to it had been played.

        What was played is remembered every few bars, so a jump back into it is short; a jump
        ahead plays on from here, silently, and far from its end lanes only count. The rest is
        played from the start with the performance as it is now, in time proportional to the way.

        Args:
            tick: where to go.
            goal: where the way leads in the end, when this is a piece of it. Until that tick is
                reached, values are not those of where it stands.
        """
        goal = tick if goal is None else max(tick, goal)
        self.turn_to(goal)
        if tick < self.position:
            self.go_back(tick)
        self._given_from, self._goal = tick, goal
        self._evaluate_for(tick, self._mixer.pass_over)
        self._given_from = 0
        self._waiting = [(event, silent) for event, silent in self._waiting if event.tick >= tick]
        self.position = tick
        if tick == goal:
            self._far = None  # what it keeps is of no more use
        if tick == goal and self._exact_from > (self._marks[-1].tick if self._marks else 0):
            self._remember()

    def turn_to(self, goal: int) -> None:
        """Go back as far as the way to `goal` needs it: it lies behind, or so near that what was
        left out on the way to another place matters there."""
        if goal < max(self.position, self._exact_from):
            self.go_back(goal)

    @property
    def memory(self) -> object | None:
        """The last remembered place, to be pickled and handed to `recall` of another renderer of
        the same score; None when there is none yet."""
        return self._marks[-1] if self._marks else None

    def recall(self, memory: object, tick: int) -> None:
        """Go to a place that another renderer remembered, on the way to `tick`. Raises ValueError
        for what is no such place, or lies after `tick`."""
        if not isinstance(memory, Mark) or memory.tick > tick:
            raise ValueError("not a place to go on from")
        self._marks = [memory]
        self.go_back(tick)

    @property
    def place(self) -> object:
        """Where this renderer stands, exactly, to be pickled and handed to `stand` of another
        renderer of the same score."""
        return Stood(self.position, self._mark(), self._mixer.going(self.performance))

    def stand(self, place: object) -> None:
        """Stand exactly where another renderer stood. Raises ValueError for what is no place."""
        if not isinstance(place, Stood):
            raise ValueError("not a place to go on from")
        self._marks = [place.mark]
        self.go_back(place.mark.tick)
        self._marks.clear()
        self._next_mark = self._grid + MARK_BARS * self.score.spec.bar_ticks
        self._mixer.go_on(place.going, self.performance)
        self.position = place.position

    @property
    def way(self) -> Way:
        """How far the way has come, for another renderer of the same score to go on with."""
        return Way(self.position, self._mark(), self._exact_from, tuple(self._marks))

    def go_on_from(self, way: Way) -> None:
        """Be where another renderer's way had come to."""
        self._marks = [way.mark]
        self.go_back(way.mark.tick)
        self._marks = list(way.marks)
        self._next_mark = self._grid + MARK_BARS * self.score.spec.bar_ticks
        self.position, self._exact_from = way.position, way.exact_from
        self._ensemble.leave_out(self._ensemble.nodes)  # any of them may have been left out

    def take_over(self, other: Renderer) -> None:
        """Stand where another renderer of the same score stands; remember what it remembers."""
        self.stand(other.place)
        self._marks, self._next_mark = list(other._marks), other._next_mark

    def counts_until(self, goal: int) -> int:
        """Up to which tick lanes need only count from here on; `position`: they must be played."""
        self._goal = goal
        self._look()
        far = self._far_until()
        if far - self._grid <= self.score.spec.bar_ticks:
            return self.position
        return max(self.position, far - self._ahead)

    def fall_in(self, tick: int) -> None:
        """
        Go to `tick` without playing the way there, at a cost that does not depend on its length.

        Lanes that go by a rate are where they would be; what counts hits of other lanes, drifts or
        walks begins anew.
        """
        marks = [mark for mark in self._marks if mark.tick <= tick]
        self.rewind()
        self._ensemble.fall_in(tick)
        self._grid = self.position = tick
        self._marks = marks
        self._remember()

    def go_back(self, tick: int) -> None:
        """To the last remembered place at or before `tick`; to the start when there is none."""
        self._marks = [mark for mark in self._marks if mark.tick <= tick]
        if not self._marks:
            self.rewind()
            return
        mark = self._marks[-1]
        self._ensemble.go_back(mark.nodes, mark.tick)
        self._mixer.go_back(mark.mixer)
        self._waiting = list(mark.waiting)
        self._grid = self.position = mark.tick
        self._exact_from = 0

    def _remember(self) -> None:
        """Remember this place, unless something was left out that matters there; places further
        back become sparse, so that there are never many."""
        if self._remembers and self._grid >= self._exact_from:
            self._marks.append(self._mark())
        if len(self._marks) > MOST_MARKS:
            del self._marks[0 : MOST_MARKS // 2 : 2]
        self._next_mark = self._grid + MARK_BARS * self.score.spec.bar_ticks

    def _mark(self) -> Mark:
        mixer = self._mixer.keep()
        return Mark(self._grid, self._ensemble.keep(), mixer, tuple(self._waiting))

    def rewind(self) -> None:
        """Back to the first tick."""
        self._ensemble.rewind()
        self._mixer.rewind()
        self._waiting.clear()
        self._marks.clear()
        self._next_mark = MARK_BARS * self.score.spec.bar_ticks
        self._grid = self.position = self._exact_from = 0

    def reset(self, lane: str) -> None:
        """Send a lane to its first step, as it began: passes count from 1, drift is gone."""
        self._ensemble.reset(self.score.positions[lane], self._grid)

    def adopt(self, old: Renderer, renamed: Mapping[str, str] = SAME) -> None:
        """
        Go on where `old` is: lanes of the same name (or the name that `renamed` gives them) take
        over its counters, new lanes fall in as if they had always played. Hits of lanes that are
        gone are dropped. O(lanes).
        """
        names = [after(lane.name, renamed) for lane in old.score.lanes]
        self._grid, self._exact_from = old._grid, old._exact_from
        self._marks.clear()
        self._next_mark = self._grid + MARK_BARS * self.score.spec.bar_ticks
        self._ensemble.adopt(
            old._ensemble, old._grid, {name: place for place, name in enumerate(names) if name}
        )
        self.position = old.position
        places = {
            place: self.score.positions[name]
            for place, name in enumerate(names)
            if name and name in self.score.positions
        }
        self._waiting = [
            (
                event._replace(
                    lane=places[event.lane],
                    output=self._outs[places[event.lane]],
                    causes=tuple(places[cause] for cause in event.causes if cause in places),
                ),
                silent,
            )
            for event, silent in old._waiting
            if event.lane in places
        ]
        self._mixer.adopt(old._mixer, renamed)
        self._remember()

    def hold_values(self) -> list[Event]:
        """The present value of every pitch and level output, as events at `position`."""
        self._look()
        return self._mixer.hold(self.position, self.performance)

    def driven_by(self, macro: int) -> dict[str, float]:
        """Volts of the level outputs that a macro (by position) drives, at `position`."""
        return self._mixer.driven_by(macro, self.performance)

    # --- evaluation ---

    def _look(self) -> None:
        if self._ensemble.look(self._grid):
            self._ahead = self._earliest()
            self._far = None

    def _earliest(self) -> int:
        """How far before its grid tick a hit or change may sound, with settings as they are and as
        sections and drives may make them, in every section: what is to come must not be late."""
        ensemble = self._ensemble
        early = 0
        lags: dict[int, int] = {}
        for form in self.score.forms:
            early = max(early, self._early_in(form, lags))
        ensemble.lags.update(lags)
        for place, node in ensemble.nodes.items():
            if isinstance(node, GatesNode | ValueNode):
                node.lag = lags.get(place, 0)
        return early

    def _early_in(self, score: Score, lags: dict[int, int]) -> int:
        """The same for one way the set is written. `lags` becomes how much earlier than the grid
        the causes of lanes of values and on gates may sound, where that is more."""
        ms = self._ensemble.ms
        early = [0] * len(score.lanes)
        for place in score.order:
            lane = score.lanes[place]
            shift, shift_ms, humanise_ms, swing = (self._extremes(place, name) for name in FEEL)
            step = float(score.steps[place]) * 2.0 ** -self._slowest(place)
            own = -shift[0] * step + ms(humanise_ms[1]) - ms(shift_ms[0])
            if swing[0] < STRAIGHT:
                bent = step if lane.led or "swing" in lane.settings else score.spec.swing_step
                own += bent * (STRAIGHT - swing[0]) / STRAIGHT
            own += -min(0.0, *score.spec.groove) * GROOVE_STEP if score.spec.groove else 0.0
            early[place] = int(own) + 1 if own > 0 else 0
            # Values and gates follow what they read where it sounds, whatever feel the lane has.
            gates = isinstance(lane.source, Logic) and lane.source.compare == "gates"
            if not lane.hits or gates or (lane.led and lane.feel == "cause"):
                causes = max((early[read] for read in score.reads[place]), default=0)
                early[place] += causes
                if not lane.hits or gates:
                    lags[place] = max(causes, lags.get(place, 0))
        return max(early, default=0)

    def _slowest(self, place: int) -> float:
        """The slowest pace that a lane has, or may come to without a hand."""
        node = self._ensemble.nodes[place]
        now = node.pacing.pace if isinstance(node, PatternNode | SteppedNode) else 0
        return min(now, self._extremes(place, "pace")[0])

    def _extremes(self, lane: int, name: str) -> tuple[float, float]:
        """The lowest and highest value a setting may come to without a hand."""
        base = self.performance.at(self._grid).base[lane][name]
        low, high = self._reach.get((lane, name), (base, base))
        return min(low, base), max(high, base)

    def _evaluate_for(self, to_tick: int, mix: Callable[[int, Performance], None]) -> None:
        """Evaluate the grid as far as what sounds before `to_tick` may lie. `mix` is called for
        what the outputs do until then: up to a tick, with the performance."""
        while True:
            self._look()
            certain = min(to_tick, self._grid - self._ahead)
            mix(certain, self.performance)
            if certain == to_tick:
                return
            self._evaluate(to_tick + self._ahead)

    def _evaluate(self, end: int) -> None:
        """One window: from the grid to `end`, or to where the performance changes by itself."""
        quiet, passing, margin = None, NOTHING, 0
        near = min(end, self._next_mark)
        if self._given_from:
            quiet = self._ahead + CONTROL_GRID
            if not self._ensemble.has_run:  # what lines do is known only then
                near = min(near, self._grid + CONTROL_GRID)
            far = min(end, self._far_until())
            if far - self._grid > self.score.spec.bar_ticks:
                near, (passing, margin) = far, self._left_out()
        window = self._ensemble.run(self._grid, near, quiet, passing)
        for place, hits in window.hits.items():
            if hits and place not in passing.counted:
                self._collect(place, hits)
        self._mixer.hear(window)
        self._grid = window.end
        if passing is not NOTHING:
            self._exact_from = window.end + margin
        if self._grid >= self._next_mark:
            self._remember()

    def _far_until(self) -> int:
        """The tick up to which lanes need only count on the way."""
        grid, goal = self._grid, self._goal
        ensemble = self._ensemble
        if self.performance.at(grid).morph is not None or ensemble.reset_from(grid):
            return grid
        if not ensemble.has_run:
            return grid
        change = self.performance.next_change(grid)
        if change is not None and (
            # Another form may count what this one need not.
            any(variant is not None for variant in self.score.variants)
            or self._falls_silent(change)
        ):
            goal = min(goal, change)
        return min(goal - self._left_out()[1], grid + PASS_BARS * self.score.spec.bar_ticks)

    def _falls_silent(self, change: int) -> bool:
        """Whether a lane of values that is left out is muted by itself at `change`: what it says
        just then is what its output holds."""
        unheard, then = (self.performance.at(tick).unheard for tick in (self._grid, change))
        unknown = self._left_out()[0].unknown
        return any(then[lane] and not unheard[lane] for lane in unknown)

    def _left_out(self) -> tuple[Passing, int]:
        """What may be left out as things stand, and how many ticks before a goal no more."""
        if self._far is None:
            form = self.score.form(self.performance.form(self._grid))
            settled = Settled(self._ensemble, self._grid)
            asks = settled.setting, settled.unmuted, settled.rounds
            limits = Limits(self._extremes, self._ensemble.ms, *asks)
            passing = passing_of(form, self._ensemble.nodes, limits)
            self._far = passing, margin_of(form, passing, limits)
        return self._far

    def _collect(self, place: int, hits: Sequence[Hit]) -> None:
        out = self._outs[place]
        waiting = self._waiting
        unheard = self.performance.unheard
        for hit in hits:
            if hit.exists_in & SOUNDING and hit.tick >= self._given_from:
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
        for event, silent in self._waiting:
            if position <= event.grid < to_tick:
                # From here on no hand can change what holds at its grid tick.
                silent = unheard(event.lane, event.grid)
            if event.tick >= to_tick:
                later.append((event, silent))
                continue
            if event.grid >= to_tick:
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


def events_between(
    score: Score, a: int, b: int, muted: frozenset[str] | None = None
) -> list[Event]:
    """The events with a <= tick < b, as the set is written.

    Args:
        score: the compiled set.
        a: the first tick.
        b: the tick after the last.
        muted: names of the lanes that are muted; None: as written.

    Returns:
        The events in order. The same question has the same answer; `Renderer` gives the same
        events piece by piece.
    """
    performance = Performance(score)
    if muted is not None:
        for lane in score.lanes:
            performance.apply(Mute(lane=lane.name, muted=lane.name in muted), 0)
    renderer = Renderer(score, performance)
    with no_collecting():
        renderer.seek(a)
        return renderer.advance(b)
