"""The performance: mutes, macros, sections and settings as they stand, and at any tick to come.

Pure: no clock, no randomness. The caller says at which tick a command arrives and how far the
playing has come (`settle`); questions may be asked for that tick and any later one. A question
about what nothing moves is two look-ups.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Protocol

from bridge.errors import CommandError
from bridge.music import handlers, snapshot
from bridge.music.live_state import Glide, LiveState, SetIndex
from bridge.music.model import SETTINGS, Lane, OutputRange, SetSpec, curved
from bridge.music.node import Period
from bridge.music.ticks import NEVER
from bridge.protocol.command import Command
from bridge.protocol.internal import PutBack
from bridge.protocol.performing import MoveMacro, NextOfOrder, RunOrder
from bridge.protocol.running import SetTempo

if TYPE_CHECKING:
    from bridge.protocol.state import LaneState, PerformanceState

_SCALES = {name: (s.low, s.high, s.whole) for name, s in SETTINGS.items()}


class ScoreLike(Protocol):
    """What is needed of a score."""

    @property
    def spec(self) -> SetSpec: ...
    @property
    def lanes(self) -> Sequence[Lane]: ...
    @property
    def positions(self) -> Mapping[str, int]: ...
    @property
    def outputs(self) -> Mapping[str, OutputRange]: ...


UNBOUNDED = (-math.inf, math.inf)
_ROUNDING = 1e-9
"""More than sums of a few numbers near 1 differ by when they are added in another order."""
_LANES_STAY = (MoveMacro, SetTempo)  # commands that leave every lane as it is


class Performance:
    """What the performer has set.

    running
        False while the transport stands: macros then go where they are sent at once, since no
        tick passes in which they could glide.
    """

    def __init__(self, score: ScoreLike) -> None:
        self.index = SetIndex(score.spec, score.lanes, score.positions)
        self.running = True
        self._live = self.index.opening()
        self._ahead: list[LiveState] = []
        self._tick = 0
        self._serial = 0
        self._lanes: dict[str, LaneState] | None = None  # that part of the state, while it holds

    # --- questions -------------------------------------------------------------------------------

    @property
    def tempo(self) -> float:
        """Beats (quarter notes) per minute at the playing position."""
        return self._live.bpm

    def tempo_at(self, tick: int) -> float:
        """Beats per minute at a tick not before the playing position."""
        return self.at(tick).bpm

    def muted(self, lane: int, tick: int) -> bool:
        """Whether a lane is muted: by its mute, or by a hand that holds it. Derived lanes that tap
        after mutes read this, so solo does not count here."""
        live = self._live
        return (live if tick < live.until else self.at(tick)).out[lane]

    def unheard(self, lane: int, tick: int) -> bool:
        """Whether a lane does not reach its output: out, or not among those played solo."""
        live = self._live
        return (live if tick < live.until else self.at(tick)).unheard[lane]

    def fixed(self, lane: int, name: str, tick: int) -> bool:
        """True when nothing moves a setting: its value stays until the next change. A macro that
        stands still moves nothing."""
        live = self.at(tick)
        if name not in live.moving[lane]:
            return True
        if live.morph is not None or lane in live.filling:
            return False
        return all(
            move.source < 0 and not live.knobs[-1 - move.source].moves(tick)
            for move in self.index.drives[lane, name]
        )

    def macro(self, position: int, tick: int, curve: float | None = None) -> float:
        """What a macro drives with, 0..1: its value, on its way while it glides, then its curve, or
        the one that is given."""
        return self._shaped(self.at(tick), position, tick, curve)

    def macro_moves(self, position: int, tick: int) -> bool:
        """Whether a macro is on its way at a tick."""
        return self.at(tick).knobs[position].moves(tick)

    @property
    def moving(self) -> bool:
        """Whether macros, settings or the tempo are on their way at the playing position."""
        live, tick = self._live, self._tick
        return (
            live.morph is not None
            or live.tempo.moves(tick)
            or any(knob.moves(tick) for knob in live.knobs)
        )

    @property
    def changes(self) -> int:
        """Another number after every change, also those that happen by themselves: a reader that
        sees the same one need not look again."""
        return self._live.serial

    def form(self, tick: int) -> int | None:
        """The section whose patterns, notes and sources are played at a tick; None: the set's
        own."""
        return self.at(tick).form

    def version(self, tick: int) -> int:
        """The same number for all ticks between which nothing changes that is `fixed`."""
        return self.at(tick).serial

    def next_change(self, tick: int) -> int | None:
        """The next tick after `tick` at which something changes by itself; None: nothing waits."""
        until = self.at(tick).until
        return None if until == NEVER else until

    def at(self, tick: int) -> LiveState:
        """The state that holds at a tick not before the playing position."""
        live = self._live
        if tick < live.until:
            return live
        ahead = self._ahead
        if ahead:
            if tick >= (ahead[-2] if len(ahead) > 1 else live).until:
                live = ahead[-1]  # mostly the one that was made last
            else:
                return ahead[bisect_right(ahead, tick, key=_until)]
        while live.until <= tick:
            live = self._after(live)
            self._ahead.append(live)
        return live

    def _after(self, live: LiveState) -> LiveState:
        live = self.index.next(live)
        self._serial += 1
        live.serial = self._serial
        return live

    def _shaped(self, live: LiveState, macro: int, tick: int, curve: float | None) -> float:
        own = self.index.spec.macros[macro].curve
        return curved(live.knobs[macro].value(tick), own if curve is None else curve)

    # --- what happens ----------------------------------------------------------------------------

    def settle(self, tick: int) -> None:
        """The playing has come to `tick`: what was put off to it or before is now done."""
        self._tick = tick
        while self._live.until <= tick:
            self._live = self._ahead.pop(0) if self._ahead else self._after(self._live)
            self._lanes = None

    def apply(self, command: Command, tick: int, client: str = "") -> None:
        """Do a command that arrives at `tick`. `client` is who sent it: holds are kept by client.

        Raises:
            CommandError: it is refused; nothing of it is done.
        """
        if isinstance(command, PutBack):
            self.put_back(command.parts, tick)
            return
        handler = handlers.HANDLERS.get(type(command))
        if handler is None:
            raise CommandError(f"{command.ROW.do} is nothing that a performance does", "unknown")
        self.settle(tick)
        at = tick
        if not self.running:
            command = handlers.at_once(command)
            if isinstance(command, RunOrder | NextOfOrder):  # its entries are whole bars long
                at = tick // self.index.spec.bar_ticks * self.index.spec.bar_ticks
        handler(self.index, self._live, command, at, client)
        self._changed(tick, lanes=not isinstance(command, _LANES_STAY))

    def _changed(self, tick: int, lanes: bool = True) -> None:
        if lanes:
            self._lanes = None
        live = self._live
        self._ahead.clear()
        self.index.refresh(live, tick)
        self._serial += 1
        live.serial = self._serial
        self.settle(tick)
        if not self.running:
            live = self._live
            live.knobs = [Glide(knob.end, knob.end) for knob in live.knobs]

    def locate(self, tick: int) -> None:
        """The playing position jumps to `tick`. What waits for a bar line waits as many bars from
        there; what glides has arrived."""
        bar = self.index.spec.bar_ticks
        self.index.shift(self._live, (tick // bar - self._tick // bar) * bar)
        self._tick = tick
        self._changed(tick)

    # --- keeping ---------------------------------------------------------------------------------

    def state(self) -> PerformanceState:
        """Everything that is set, as plain data that JSON can carry: what surfaces show, and what
        `restore` needs. Ticks are absolute. Not to be changed: parts that stay the same from one
        state to the next are the same objects."""
        live = self._live
        lanes = self._lanes
        if lanes is None or live.morph is not None:
            lanes = self._lanes = snapshot.take_lanes(self.index, live, self._tick)
        return snapshot.take(self.index, live, self._tick, lanes)

    def put_back(self, parts: Mapping[str, Any], tick: int) -> None:
        """Put back some parts of a state that `state` gave earlier, and leave the rest as it is:
        whole top-level members, single members of lanes, single macros. What waited then for a
        tick that has passed is done now.

        Raises:
            CommandError: these are no parts of a state; nothing is changed.
        """
        self.settle(tick)
        try:
            state = snapshot.overlay(self.state(), parts)
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise CommandError(f"these are no parts of a state: {error!r}") from error
        self.restore(state, tick)

    def restore(self, state: Mapping[str, Any], tick: int | None = None) -> None:
        """Put back what `state` gave. What it says of lanes, macros and sections that this set does
        not have is passed over, and what it does not speak of is as written.

        Raises:
            CommandError: not a state; nothing is changed.
        """
        try:
            live = snapshot.put(self.index, state)
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise CommandError(f"this is not the state of a performance: {error!r}") from error
        self._live = live
        self._tick = self._tick if tick is None else tick
        self._changed(self._tick)


def _until(live: LiveState) -> int:
    return live.until


class Settings:
    """The settings of all lanes as one renderer has them: they depend on what its lanes do."""

    def __init__(self, performance: Performance, lane_value: Callable[[int, int], float]) -> None:
        """`lane_value` says what a lane that drives a setting does: (position, tick) to a value."""
        self._performance = performance
        self._lane_value = lane_value

    def setting(self, lane: int, name: str, tick: int) -> float:
        """The effective value of a setting at a tick: what is written, a section or a hand put in
        its place, or where a drive puts it, plus what macros and lanes add, clamped to the
        setting's range; a fill raises the density after that."""
        performance = self._performance
        live = performance._live
        if tick >= live.until:
            live = performance.at(tick)
        if name not in live.moving[lane]:
            return live.base[lane][name]
        value = performance.index.base_at(live, (lane, name), tick)
        moves = performance.index.drives.get((lane, name), ())
        for move in moves:
            if move.start is not None:
                value = move.start
        for source, _, by, curve in moves:
            if source < 0:
                value += by * performance._shaped(live, -1 - source, tick, curve)
            else:
                value += by * self._lane_value(source, tick)
        low, high, whole = _SCALES[name]
        value = min(max(value, low), high)
        if name == "density" and lane in live.filling:
            return value + (1.0 - value) * self.setting(lane, "fill_share", tick)
        return float(round(value)) if whole else value

    def bounds(
        self,
        lane: int,
        name: str,
        tick: int,
        lane_bounds: Callable[[int, int], tuple[float, float]],
    ) -> tuple[float, float]:
        """Between which values a setting stays from a tick on until something is changed by hand
        or by itself.

        Args:
            lane: the position of the lane.
            name: of the setting.
            tick: from where on.
            lane_bounds: the same for the value of a lane that drives: (position, tick).
        """
        performance = self._performance
        live = performance.at(tick)
        if live.morph is not None or lane in live.filling:
            return UNBOUNDED
        low = high = live.base[lane][name]
        moves = performance.index.drives.get((lane, name), ())
        for move in moves:
            if move.start is not None:
                low = high = move.start
        for source, _, by, curve in moves:
            if source >= 0:
                ends = [by * end for end in lane_bounds(source, tick)]
            elif live.knobs[-1 - source].moves(tick):
                return UNBOUNDED
            else:
                ends = [by * performance._shaped(live, -1 - source, tick, curve)]
            low, high = low + min(ends), high + max(ends)
        return low - _ROUNDING, high + _ROUNDING

    def period(
        self, lane: int, name: str, tick: int, lane_period: Callable[[int, int], Period | None]
    ) -> Period | None:
        """After how many ticks a setting comes round again, until something is changed by hand or
        by itself; see `Window.period`.

        Args:
            lane: the position of the lane.
            name: of the setting.
            tick: from where on.
            lane_period: the same for the value of a lane that drives: (position, tick).
        """
        performance = self._performance
        live = performance.at(tick)
        if live.morph is not None or lane in live.filling:
            return None
        ticks = 1
        origins: tuple[int, ...] = ()
        for source, _, _, _ in performance.index.drives.get((lane, name), ()):
            if source < 0:
                if live.knobs[-1 - source].moves(tick):
                    return None
                continue
            found = lane_period(source, tick)
            if found is None:
                return None
            ticks = math.lcm(ticks, found[0])
            origins += found[1]
        return ticks, origins
