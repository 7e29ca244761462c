"""What was performed lately: who was heard, macros, settings and sections over the last bars.

It is read from what the player says of itself, as every surface reads it, so what a controller or
the running order did is in it like what a finger did. A start or a jump begins anew.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from bridge.control.position import bar_ticks, tick_at
from bridge.control.session import Session
from bridge.control.stream import StateChanged
from bridge.protocol.limits import LONGEST_BARS
from bridge.protocol.state import PlayerReport

ROWS_MOST = 20_000
"""Changes that are remembered: ten minutes of a finger that never rests."""
JUMP_TICKS = 960
"""A position further back than this is another place of the song, and no estimate."""
SWEEP_TICKS = 120
"""Moves of macros that are closer together than this, a 32nd note, are remembered as one."""
WATCHED = frozenset({"lanes", "macros", "section", "tempo", "fills", "morph", "revision"})


@dataclass(frozen=True, slots=True)
class Stand:
    """How things stood from a tick on."""

    heard: Mapping[str, bool]
    macros: Mapping[str, float]
    hand: Mapping[tuple[str, str], float]
    section: str | None
    tempo: float
    solo: tuple[str, ...]
    fills: bool
    morphs: bool


def stand_of(state: PlayerReport) -> Stand:
    """How things stand in a state of the player."""
    lanes = state["lanes"]
    return Stand(
        heard={name: lane["heard"] for name, lane in lanes.items()},
        macros={name: round(macro["value"], 3) for name, macro in state["macros"].items()},
        hand={
            (name, setting): value
            for name, lane in lanes.items()
            for setting, value in lane["hand"].items()
        },
        section=state["section"],
        tempo=round(state["tempo"], 2),
        solo=tuple(name for name, lane in lanes.items() if lane["solo"]),
        fills=bool(state.get("fills")),
        morphs=state.get("morph") is not None,
    )


class Recent:
    """Listens to what the player says. `clock` is monotonic, in seconds."""

    def __init__(self, session: Session, clock: Callable[[], float] = time.monotonic) -> None:
        self._session = session
        self._clock = clock
        self._rows: deque[tuple[float, Stand]] = deque()
        self._running = False
        self._end = 0.0
        session.stream.on(StateChanged, self._changed)

    def _tick(self, state: PlayerReport, fresh: bool) -> float:
        return float(state["transport"]["tick"]) if fresh else tick_at(state, self._clock() * 1000)

    def _changed(self, event: StateChanged) -> None:
        state = self._session.state
        if "transport" not in state or "lanes" not in state:
            return
        running = state["transport"]["state"] in ("running", "lost")
        tick = self._tick(state, "transport" in event.keys)
        begins = running and not self._running
        ends = self._running and not running
        self._running = running
        if not running:
            self._end = max(self._end, tick) if ends else self._end
            return
        if begins or tick < self._end - JUMP_TICKS:
            self._rows.clear()
        elif not event.keys & WATCHED:
            self._end = tick
            return
        self._end = max(tick, self._end) if self._rows else tick
        self._note(self._end, stand_of(state))
        self._forget(self._end - (LONGEST_BARS + 1) * bar_ticks(state)[0])

    def _note(self, tick: float, stand: Stand) -> None:
        """How things stand from `tick` on. A crowd of hands would make thousands of rows: a sweep
        makes only some, and parts that do not change are kept once."""
        begun = tick
        if self._rows:
            last, before = self._rows[-1]
            stand = _shared(stand, before)
            if tick - last < SWEEP_TICKS and replace(before, macros=stand.macros) == stand:
                self._rows.pop()
                begun = last
        self._rows.append((begun, stand))

    def _forget(self, tick: float) -> None:
        """Drops what was over before `tick`, and the oldest when there is too much."""
        rows = self._rows
        while len(rows) > ROWS_MOST or (len(rows) > 1 and rows[1][0] <= tick):
            rows.popleft()

    def bars(self, most: int) -> list[list[tuple[float, Stand]]]:
        """The last `most` whole bars that were played, fewer when there are not so many: for each,
        pairs of a number of ticks and how things stood so long."""
        state = self._session.state
        if not self._rows:
            return []
        bar = bar_ticks(state)[0]
        now = self._tick(state, False) if self._running else self._end
        last = int(max(now, self._end) // bar)
        first = max(-int(-self._rows[0][0] // bar), last - most)
        made = list(self._rows)
        return [_within(made, at * bar, (at + 1) * bar) for at in range(first, last)]


def _shared(stand: Stand, before: Stand) -> Stand:
    """The same, made of the parts of the stand before it that are equal: most do not change."""
    return replace(
        stand,
        heard=before.heard if before.heard == stand.heard else stand.heard,
        macros=before.macros if before.macros == stand.macros else stand.macros,
        hand=before.hand if before.hand == stand.hand else stand.hand,
    )


def _within(rows: list[tuple[float, Stand]], begin: float, end: float) -> list[tuple[float, Stand]]:
    found: list[tuple[float, Stand]] = []
    for place, (tick, stand) in enumerate(rows):
        until = rows[place + 1][0] if place + 1 < len(rows) else end
        ticks = min(until, end) - max(tick, begin)
        if ticks > 0:
            found.append((ticks, stand))
    return found
