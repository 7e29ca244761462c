"""The coming bars as they will be played: a copy of the performance is rendered ahead, aside.

The player is not asked: the service has compiled the same score and keeps a renderer of its own
that follows the player's position and hands (so that walks, drifting patterns and counters stand
where the player's do). Each chart is rendered on from there by a copy, in a thread; while nobody
moves anything, the copy goes on from the end of the last one. A lane that is out, or that the solo
of others silences, gets the rows it would play, and `out` true.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from bridge.control.position import bar_and_beat, tick_at
from bridge.control.session import Session
from bridge.control.stream import ChartsChanged, ScoreChanged, StateChanged
from bridge.control.threads import in_thread
from bridge.errors import BridgeError
from bridge.music.event import Event
from bridge.music.performance import Performance
from bridge.music.render import Renderer
from bridge.music.score import Score
from bridge.protocol.state import LaneState, PerformanceState, PlayerReport

log = logging.getLogger(__name__)

SETTLE_S = 0.1  # several changes in this time make one chart
LOOK_S = 0.25  # how often a new bar is noticed
REST_S = 1.0  # at most, after a chart that was costly; pages ask for a bar more than they show
FINENESS = 1 / 64
WAVER = 1920  # ticks: estimates of the position differ by less; going back costs a new beginning
NEAR = 3840 * 4  # ticks: a way that is rendered rather than left out
STEP = 1920  # ticks that are rendered at once
LEAP = 3840 * 64  # ticks: a larger step ahead is another place, not the music going on
PARTS = ("lanes", "macros", "section", "form", "section_pending", "order")
"""Members of the state that say how a set is performed, but for what glides."""
WATCHED = (*PARTS, "revision", "transport")


def thin(rows: list[list[float]]) -> list[list[float]]:
    """A line of [tick, value] with no more points than a small chart can show: a step is kept
    when it goes at least `FINENESS` of the whole height from the last one kept; the last always."""
    if len(rows) < 3:
        return rows
    values = [value for _, value in rows]
    least = (max(values) - min(values)) * FINENESS
    kept = [rows[0]]
    for row in rows[1:-1]:
        if abs(row[1] - kept[-1][1]) >= least > 0:
            kept.append(row)
    return [*kept, rows[-1]]


@dataclass
class Ahead:
    """What has been rendered past the player's position, and the renderers that go on from `end`.

    One bar later, only that bar has to be rendered, as long as the hands (`hands`) are what they
    were. `begin` and `end` are in ticks, the end excluded.
    """

    hands: tuple[object, ...]
    begin: int
    end: int
    parts: list[tuple[Renderer, set[str]]]  # what is heard; then what muted lanes would play
    rows: dict[str, list[list[Any]]]


class Mirror:
    """A renderer that follows the player. Everything blocks for some milliseconds: one call at a
    time, in a thread. Raises `CommandError` for a state that does not fit the score.

    It begins, in this order, from what the player itself remembers (`recall`), from the mirror of
    the score `before`, whose lanes hand over their counters as at a swap, or from the start; far
    from the start what counts hits, drifts or walks then begins anew, until the player's memory
    comes.
    """

    def __init__(self, score: Score, before: Mirror | None = None) -> None:
        self.score = score
        # One that was never asked knows nothing: what was before it is handed on.
        idle = before is not None and before._state is None
        self._before: Mirror | None = before._before if before is not None and idle else before
        self._memory: object | None = None
        self._exact = False
        self._names = [lane.name for lane in score.lanes]
        self._state: PerformanceState | None = None
        self._renderer = _renderer(score)
        self._ahead: Ahead | None = None

    def recall(self, memory: object | None) -> None:
        """This is where the player's renderer of the same score was, not long ago."""
        self._memory = memory

    def chart(self, state: PerformanceState, tick: int, end: int) -> dict[str, Any]:
        """The ``chart`` message for ticks tick..end (end excluded), hands as in `state`."""
        if tick < self._renderer.position <= tick + WAVER:
            tick = self._renderer.position
        muted = {
            name
            for name, lane in state["lanes"].items()
            if lane["muted"] or not lane.get("heard", True)
        }
        ahead = self._follow(state, tick, end, muted)
        lanes: dict[str, dict[str, object]] = {}
        for lane in self.score.lanes:
            rows = [row for row in ahead.rows[lane.name] if row[0] < end]
            lanes[lane.name] = {"hits": rows} if lane.hits else {"values": thin(rows)}
            if lane.name in muted:
                lanes[lane.name]["out"] = True
        return {"type": "chart", "from": tick, "to": end, "lanes": lanes}

    def _follow(self, state: PerformanceState, tick: int, end: int, muted: set[str]) -> Ahead:
        """Brings the renderer to `tick` with the hands as they were, then takes the new hands; and
        has everything rendered to `end`."""
        renderer, ahead = self._renderer, self._ahead
        lost = self._state is None or not renderer.position <= tick <= renderer.position + LEAP
        if lost or (self._memory is not None and not self._exact):
            renderer = self._renderer = self._begin(state, tick)
            ahead = None
        else:
            renderer.advance(tick)
        renderer.performance.restore(state, tick)
        self._state = state
        hands = _hands(state)
        if ahead is None or ahead.hands != hands or not ahead.begin <= tick <= ahead.end:
            ahead = Ahead(hands, tick, tick, [], {name: [] for name in self._names})
            self._render(ahead, self._copy(state, tick), set(self._names), end)
            quiet = {lane.name for lane in self.score.lanes if lane.hits and lane.name in muted}
            silent = {name for name in quiet if not ahead.rows[name]}
            if silent:
                self._render(ahead, self._copy(_all_in(state), tick), silent, end)
        else:
            self._ahead = None  # should this fail on the way, nothing is half known
            for part, names in ahead.parts:
                self._go_on(ahead, part, names, max(end, ahead.end))
        ahead.begin, ahead.end = tick, max(end, ahead.end)
        for name, rows in ahead.rows.items():
            ahead.rows[name] = _since(tick, rows, self._is_line[name])
        self._ahead = ahead
        return ahead

    def _begin(self, state: PerformanceState, tick: int) -> Renderer:
        """A renderer at `tick`, from the best that is known of the way there."""
        renderer = _renderer(self.score)
        renderer.performance.restore(state, 0)
        before, self._before = self._before, None
        self._exact = False
        if self._memory is not None:
            with contextlib.suppress(ValueError):  # it lies after `tick`: the song was set back
                renderer.recall(self._memory, tick)
                self._exact = True
        if not self._exact:
            self._memory = None
            old = None if before is None else before._at(tick)
            if old is not None:
                renderer.adopt(old)
            elif tick > LEAP:
                renderer.fall_in(tick - NEAR)
        renderer.seek(tick)
        return renderer

    def _at(self, tick: int) -> Renderer | None:
        """A copy that has gone on to `tick`; None where this is not on the way there."""
        at = self._renderer.position
        if self._state is None or not at <= tick <= at + LEAP:
            return None
        copy = self._copy(self._state, at)
        copy.advance(tick)
        return copy

    @cached_property
    def _is_line(self) -> dict[str, bool]:
        return {lane.name: not lane.hits for lane in self.score.lanes}

    def _copy(self, state: PerformanceState, tick: int) -> Renderer:
        renderer = _renderer(self.score)
        renderer.performance.restore(state, tick)
        renderer.adopt(self._renderer)
        return renderer

    def _render(self, ahead: Ahead, renderer: Renderer, names: set[str], end: int) -> None:
        self._add(ahead, renderer.hold_values(), names)
        self._go_on(ahead, renderer, names, end)
        ahead.parts.append((renderer, names))

    def _go_on(self, ahead: Ahead, renderer: Renderer, names: set[str], end: int) -> None:
        """In steps: of what is rendered only a part is kept, and what it takes meanwhile stays."""
        for at in (*range(renderer.position + STEP, end, STEP), end):
            self._add(ahead, renderer.advance(at), names)

    def _add(self, ahead: Ahead, events: Iterable[Event], names: set[str]) -> None:
        for event in events:
            name = self._names[event.lane] if event.lane >= 0 else ""
            if name not in names or self._is_line[name] == (event.kind == "hit"):
                continue
            row: list[object] = [event.tick, round(event.value, 4)]
            if event.kind == "hit":
                row += [event.length, [self._names[cause] for cause in event.causes]]
            ahead.rows[name].append(row)


def _renderer(score: Score) -> Renderer:
    """One that goes on and never back."""
    return Renderer(score, Performance(score), remembers=False)


def _hands(state: Mapping[str, object]) -> tuple[object, ...]:
    """What a chart depends on besides the position: while it stays, a chart only grows."""
    transport = state.get("transport")
    tempo = transport.get("tempo") if isinstance(transport, Mapping) else None
    return (*(state.get(key) for key in WATCHED if key != "transport"), tempo)


def _since(tick: int, rows: list[list[Any]], is_line: bool) -> list[list[Any]]:
    """The rows from `tick` on; a line begins there with the value that it has."""
    kept = [row for row in rows if row[0] >= tick]
    before = rows[: len(rows) - len(kept)]
    if is_line and before and not (kept and kept[0][0] == tick):
        kept.insert(0, [tick, before[-1][1]])
    return kept


def _all_in(state: PerformanceState) -> PerformanceState:
    lanes: dict[str, LaneState] = {
        name: {
            **lane,
            "muted": False,
            "under": False,
            "pending": None,
            "held": False,
            "holds": {},
            "solo": False,
        }
        for name, lane in state["lanes"].items()
    }
    return {**state, "lanes": lanes, "solo_until": None, "fills": []}


class Charts:
    """The newest chart for each number of bars that somebody looks at (`wanted` says which)."""

    def __init__(
        self,
        session: Session,
        *,
        clock: Callable[[], float] = time.monotonic,
        settle_s: float = SETTLE_S,
    ) -> None:
        self._session = session
        self._clock = clock
        self._settle_s = settle_s
        self._mirror: Mirror | None = None
        self._lock = asyncio.Lock()
        self._charts: dict[int, dict[str, object]] = {}
        self._dirty = asyncio.Event()
        self._seen: tuple[object, ...] = ()
        self._bar = 0
        self.wanted: Callable[[], set[int]] = set
        session.stream.on(StateChanged, self._state)
        session.stream.on(ScoreChanged, self._score)

    def _score(self, event: ScoreChanged) -> None:
        self._mirror = Mirror(event.score, self._mirror)
        self._dirty.set()

    def look(self) -> None:
        """Somebody looks at another number of bars, or for the first time."""
        self._dirty.set()

    def get(self, bars: int) -> dict[str, object] | None:
        """The newest chart of `bars` bars; the same object until there is a newer one."""
        return self._charts.get(bars)

    async def make(self, bars: int) -> dict[str, object] | None:
        """A chart made now, from the present position to the end of the `bars`-th bar; None when
        there is nothing to make one of."""
        async with self._lock:
            mirror, state = self._mirror, self._session.state
            if mirror is None or "lanes" not in state:
                return None
            mirror.recall(self._session.memory)
            return await self._render(mirror, state, bars)

    async def preview(self, score: Score, bars: int) -> dict[str, object]:
        """The same, of another score that would take over now."""
        async with self._lock:
            mirror = Mirror(score, self._mirror)
            return await self._render(mirror, self._session.state, bars)

    async def _render(self, mirror: Mirror, state: PlayerReport, bars: int) -> dict[str, object]:
        bar = mirror.score.spec.bar_ticks
        tick = int(tick_at(state, self._clock() * 1000))
        end = (tick // bar + bars) * bar
        # Also when nobody waits any more: no other work may touch the mirror meanwhile.
        return await in_thread(mirror.chart, state, tick, end)

    async def run(self) -> None:
        """Makes new charts when what they show has changed; never returns."""
        while True:
            try:
                # Not wait_for: before Python 3.12 it can swallow the end of this task.
                async with asyncio.timeout(LOOK_S):
                    await self._dirty.wait()
            except TimeoutError:
                if not self._new_bar():
                    continue
            await asyncio.sleep(self._settle_s)
            self._dirty.clear()
            self._new_bar()
            begun = self._clock()
            try:
                for bars in sorted(self.wanted()):
                    chart = await self.make(bars)
                    if chart is not None:
                        self._charts[bars] = chart
            except (BridgeError, KeyError) as error:
                # Between a swap and its confirmation the state may speak of another set.
                log.debug("no chart of this state: %s", error)
                continue
            except Exception:  # a drawing that fails must not take the controls with it
                log.exception("the chart cannot be drawn")
                await asyncio.sleep(1)
                continue
            self._session.stream.tell(ChartsChanged())
            # A set that is costly to draw is drawn less often: at most a tenth of the time.
            await asyncio.sleep(min(REST_S, 9 * (self._clock() - begun)))

    def _new_bar(self) -> bool:
        """Whether the music has come to another bar since the last time this was asked."""
        state = self._session.state
        if "transport" not in state:
            return False
        before, self._bar = self._bar, bar_and_beat(state, tick_at(state, self._clock() * 1000))[0]
        return before != self._bar

    def _state(self, event: StateChanged) -> None:
        if event.keys.isdisjoint(WATCHED):
            return
        state = self._session.state
        transport = state.get("transport", {})
        seen = (
            *(state.get(key) for key in WATCHED if key != "transport"),
            transport.get("state"),
            transport.get("tempo"),
            transport.get("tick") if transport.get("state") != "running" else None,
        )
        if seen != self._seen:
            self._seen = seen
            self._dirty.set()
