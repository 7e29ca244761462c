"""The coming bars as they will be played: a copy of the performance is rendered ahead, aside.

The player is not asked: the service has compiled the same score and keeps a renderer of its own
that follows the player's position and hands (so that walks, drifting patterns and counters stand
where the player's do). Each chart is rendered on from there by a copy, in a thread. A lane that is
out, or that the solo of others silences, gets the rows it would play, and `out` true.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable, Mapping
from typing import Any

from bridge.control.position import bar_and_beat, place
from bridge.control.session import Session
from bridge.control.stream import ChartsChanged, ScoreChanged, StateChanged
from bridge.errors import BridgeError
from bridge.music.event import Event
from bridge.music.performance import Performance
from bridge.music.render import Renderer
from bridge.music.score import Score

log = logging.getLogger(__name__)

SETTLE_S = 0.1  # several changes in this time make one chart
LOOK_S = 0.25  # how often a new bar is noticed
FINENESS = 1 / 64
WAVER = 1920  # ticks: estimates of the position differ by less; going back costs a new beginning
LEAP = 3840 * 64  # ticks: a larger step ahead is another place, not the music going on
WATCHED = (
    "lanes",
    "macros",
    "section",
    "form",
    "section_pending",
    "order",
    "revision",
    "transport",
)


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


class Mirror:
    """A renderer that follows the player. Everything blocks for some milliseconds: one call at a
    time, in a thread. Raises `CommandError` for a state that does not fit the score."""

    def __init__(self, score: Score) -> None:
        self.score = score
        self._names = [lane.name for lane in score.lanes]
        self._state: Mapping[str, Any] | None = None
        self._renderer = Renderer(score, Performance(score))

    def chart(self, state: Mapping[str, Any], tick: int, end: int) -> dict[str, Any]:
        """The ``chart`` message for ticks tick..end (end excluded), hands as in `state`."""
        if tick < self._renderer.position <= tick + WAVER:
            tick = self._renderer.position
        self._follow(state, tick)
        muted = {
            name
            for name, lane in state["lanes"].items()
            if lane["muted"] or not lane.get("heard", True)
        }
        lanes: dict[str, dict[str, Any]] = {}
        for lane in self.score.lanes:
            rows: dict[str, Any] = {"hits" if lane.hits else "values": []}
            if lane.name in muted:
                rows["out"] = True
            lanes[lane.name] = rows
        self._fill(lanes, state, tick, end, set(lanes))
        silent = {name for name in muted if name in lanes and not lanes[name].get("hits", True)}
        if silent:
            self._fill(lanes, _all_in(state), tick, end, silent)
        return {"type": "chart", "from": tick, "to": end, "lanes": lanes}

    def _follow(self, state: Mapping[str, Any], tick: int) -> None:
        """Brings the renderer to `tick` with the hands as they were, then takes the new hands."""
        renderer = self._renderer
        if self._state is None or tick < renderer.position or tick > renderer.position + LEAP:
            renderer = self._renderer = Renderer(self.score, Performance(self.score))
            renderer.performance.restore(state, 0)
            renderer.seek(tick)
        else:
            renderer.advance(tick)
        renderer.performance.restore(state, tick)
        self._state = state

    def _fill(
        self,
        lanes: dict[str, dict[str, Any]],
        state: Mapping[str, Any],
        tick: int,
        end: int,
        only: set[str],
    ) -> None:
        performance = Performance(self.score)
        performance.restore(state, tick)
        renderer = Renderer(self.score, performance)
        renderer.adopt(self._renderer)
        held = renderer.hold_values()
        for event in (*held, *renderer.advance(end)):
            if event.lane >= 0 and self._names[event.lane] in only:
                self._add(lanes[self._names[event.lane]], event)
        for name in only:
            if "values" in lanes[name]:
                lanes[name]["values"] = thin(lanes[name]["values"])

    def _add(self, rows: dict[str, Any], event: Event) -> None:
        if event.kind == "hit" and "hits" in rows:
            causes = [self._names[cause] for cause in event.causes]
            rows["hits"].append([event.tick, round(event.value, 4), event.length, causes])
        elif event.kind != "hit" and "values" in rows:
            rows["values"].append([event.tick, round(event.value, 4)])


def _all_in(state: Mapping[str, Any]) -> dict[str, Any]:
    lanes = {
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
    return {**state, "lanes": lanes}


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
        self._charts: dict[int, dict[str, Any]] = {}
        self._dirty = asyncio.Event()
        self._seen: tuple[Any, ...] = ()
        self._bar = 0
        self.wanted: Callable[[], set[int]] = set
        session.stream.on(StateChanged, self._state)
        session.stream.on(ScoreChanged, self._score)

    def _score(self, event: ScoreChanged) -> None:
        self._mirror = Mirror(event.score)
        self._dirty.set()

    def look(self) -> None:
        """Somebody looks at another number of bars, or for the first time."""
        self._dirty.set()

    def get(self, bars: int) -> dict[str, Any] | None:
        """The newest chart of `bars` bars; the same object until there is a newer one."""
        return self._charts.get(bars)

    async def make(self, bars: int) -> dict[str, Any] | None:
        """A chart made now, from the present position to the end of the `bars`-th bar; None when
        there is nothing to make one of."""
        async with self._lock:
            mirror, state = self._mirror, self._session.state
            if mirror is None or "lanes" not in state:
                return None
            bar = mirror.score.spec.bar_ticks
            tick = int(place(state, self._clock() * 1000))
            end = (tick // bar + bars) * bar
            return await asyncio.to_thread(mirror.chart, state, tick, end)

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
            await asyncio.sleep(min(2.0, 9 * (self._clock() - begun)))

    def _new_bar(self) -> bool:
        """Whether the music has come to another bar since the last time this was asked."""
        state = self._session.state
        if "transport" not in state:
            return False
        before, self._bar = self._bar, bar_and_beat(state, place(state, self._clock() * 1000))[0]
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
