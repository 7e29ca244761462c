"""Where the song is: the internal clock or a followed one, and the transport, as one thing.

A `SongClock` holds the line from ticks to time that everything else uses, and says what has to be
done about it. With the internal clock the line runs all the time (also while stopped, so that our
MIDI clock can); with a followed clock it is taken anew from the follower at each pulse. When the
followed clock goes away the last line simply goes on, and when it returns the nearest clock is
taken for the one that arrived, so no step is skipped or played twice.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal, NamedTuple

from bridge.clock.follower import Follower
from bridge.clock.source import INTERNAL
from bridge.clock.tempo import HIGHEST_BPM, LOWEST_BPM, TICKS_PER_CLOCK, Anchor, Tap, TempoMap
from bridge.clock.transport import Action, Transport
from bridge.errors import CommandError

if TYPE_CHECKING:
    from bridge.protocol.state import ClockWord

CLOCKS_PER_SIXTEENTH = 6
MARGIN_NS = 4_000_000
"""Least time between a start and the first clock: Start goes out at least 1 ms before it (MIDI 1.0
Detailed Specification 4.2.1, p. 30), and what leads the first hit before that."""
WORDS_NS = 3_000_000
"""How long before that clock they go: the clock before it is at least 6.25 ms away (400 bpm)."""


class Effect(NamedTuple):
    """Something to carry out. ``begin`` plays from `clock` at `ns`; ``locate`` stands there while
    stopped; ``close`` closes every gate now; ``moved`` says that the line from ticks to time is
    another one; ``says`` is a line for the log; ``send`` are MIDI bytes for whoever follows us, at
    `ns` (0: at once)."""

    do: Literal["begin", "locate", "close", "moved", "send", "says"]
    clock: int = 0
    ns: int = 0
    data: bytes = b""
    text: str = ""


class SongClock:
    """Ticks to time, and back. `whole_sixteenths` makes Continue fall on a sixteenth, which is as
    fine as Song Position can tell those who follow us (p. 27)."""

    def __init__(self, now: int, bpm: float, source: str, whole_sixteenths: bool = False) -> None:
        self.source = source
        self.transport = Transport()
        self.follower = Follower()
        self.whole_sixteenths = whole_sixteenths
        self.head_ns = MARGIN_NS
        self._map = TempoMap(Anchor(0, now, bpm))
        self._line: Anchor | None = None  # of the followed clock
        self._origin = 0
        self._counted = 0  # where the count began on which the origin stands; 0: nowhere yet
        self._two = False
        self._bpm = bpm
        self._tap = Tap()
        self._begun_ns = now

    # --- reading --------------------------------------------------------------------------------

    @property
    def following(self) -> bool:
        return self.source != INTERNAL

    @property
    def playing(self) -> bool:
        return self.transport.state in ("running", "lost")

    @property
    def ready(self) -> bool:
        """Whether there is a line at all: not before the first clocks of a followed source."""
        return not self.following or self._line is not None

    def time_of(self, tick: int | float) -> int:
        return self._line.time_of(tick) if self._line is not None else self._map.time_of(tick)

    def tick_at(self, ns: int) -> float:
        return self._line.tick_at(ns) if self._line is not None else self._map.tick_at(ns)

    @property
    def pieces(self) -> tuple[Anchor, ...]:
        """The newest two pieces of the line from ticks to time (a nudge makes two)."""
        return (self._line,) if self._line is not None else self._map.pieces[-2:]

    @property
    def bpm(self) -> float:
        return self._line.bpm if self._line is not None else self._map.last.bpm

    @property
    def shown_bpm(self) -> float:
        if self.following:
            return self.follower.display_bpm or self.bpm
        return self._bpm

    @property
    def horizon(self) -> int | None:
        """The tick at which a followed host will jump with its next clock (it has sent a Start or a
        Song Position while running): nothing from there on is to be played. None: no jump waits."""
        transport = self.transport
        if not self.following or transport.waiting is None or transport.state != "running":
            return None
        return transport.position * TICKS_PER_CLOCK

    def place(self, now: int) -> float:
        """The tick to show at `now`: that of the music while playing, else where it stands."""
        stands = self.transport.position * TICKS_PER_CLOCK
        if not self.playing:
            return float(stands)
        if now < self._begun_ns:
            return self.tick_at(self._begun_ns)
        return max(0.0, self.tick_at(now))

    def state(self, now: int) -> ClockWord:
        """``leading``, or how well the source is followed."""
        if not self.following:
            return "internal"
        if self.transport.state == "lost":
            return "lost" if self.follower.state(now) == "lost" else "alone"
        return self.follower.state(now)

    # --- the performer's hand -------------------------------------------------------------------

    def start(self, now: int) -> list[Effect]:
        return self._press("start", b"\xfa", now)

    def go_on(self, now: int) -> list[Effect]:
        """Continue."""
        if self.playing:
            return []
        if not self.following:
            self._round_up()
        return self._press("continue", b"\xfb", now)

    def stop(self, now: int) -> list[Effect]:
        tick = self.tick_at(now)
        was_playing = self.playing
        effects = self._carry_out(self.transport.event("stop"), now)
        if not was_playing:
            return effects
        if not self.following:
            # The clock after the next Continue is the one that Stop kept from sounding (p. 31).
            clock = math.ceil(max(tick, self.tick_at(self._begun_ns)) / TICKS_PER_CLOCK)
            self.transport.event("locate", clock)
        where = Effect("locate", self.transport.position)
        return [
            *(what for what in effects if what.do != "locate"),
            Effect("send", data=b"\xfc"),
            where,
        ]

    def locate(self, tick: int, now: int) -> list[Effect]:
        """Go to the clock at or after `tick`: now when stopped, at the next clock when playing."""
        clock = -(-tick // TICKS_PER_CLOCK)
        if self.whole_sixteenths:
            clock = -(-clock // CLOCKS_PER_SIXTEENTH) * CLOCKS_PER_SIXTEENTH
        effects = self._carry_out(self.transport.event("locate", clock), now)
        if self.playing and not self.following:
            # Song Position is not for a running clock (p. 29): stop, place, go on.
            return [*effects, *self._pulse_inside(now, (b"\xfc", *self._position(), b"\xfb"))]
        if not self.playing:
            effects += [Effect("send", data=data) for data in self._position()]
        return effects

    def set_tempo(self, bpm: float, tick: int) -> list[Effect]:
        """The internal clock runs at `bpm` from `tick` on."""
        if bpm == self._bpm or self.following:
            self._bpm = bpm
            return []
        self._bpm = bpm
        self._map.change(tick, bpm)
        # What is due just before `tick` has not been sent yet: its line must stay.
        self._map.forget(tick - 48 * TICKS_PER_CLOCK)
        return [Effect("moved")]

    def nudge(self, ms: float, now: int) -> list[Effect]:
        if self.following:
            raise CommandError("a followed clock cannot be nudged; use the offset", "state")
        # Just after a start the first tick is still to come.
        self._map.nudge(max(math.ceil(self.tick_at(now)), self._map.pieces[0].tick), ms)
        return [Effect("moved")]

    def tap(self, now: int) -> float | None:
        """A tempo from taps, or None while one tap says nothing yet."""
        if self.following:
            raise CommandError("the tempo is that of the followed clock", "state")
        return self._tap.tap(now)

    def take(self, now: int) -> list[Effect]:
        """The internal clock goes on from here, at the same tempo, without a jump."""
        if not self.following:
            return []
        tick, bpm = self.tick_at(now), min(max(self.bpm, LOWEST_BPM), HIGHEST_BPM)
        if self.ready:
            self._map = TempoMap(Anchor(tick, now, bpm))
            self._bpm = bpm
        self.source, self._line = INTERNAL, None
        armed = self.transport.state == "armed"
        effects = self._carry_out(self.transport.event("take"), now)
        if armed:
            effects += self._pulse_inside(now)
        return [*effects, Effect("moved")]

    def follow(self, source: str, now: int) -> list[Effect]:
        """Another source. While playing, the song goes on and falls in with the new clock."""
        if source == self.source:
            return []
        if source == INTERNAL:
            return self.take(now)
        playing = self.playing
        if playing:
            self._line = Anchor(self.tick_at(now), now, self.bpm)
        else:
            self._line = None
        self.source = source
        self.follower.reset()
        self._counted = 0
        if playing:
            self.transport.event("loss")
        return [Effect("moved")]

    def strike(self, at: int, bpm: float) -> None:
        """The internal clock has one of its clocks at `at`, so that a start can begin there."""
        self._bpm = bpm
        self._map = TempoMap(Anchor(0, at, bpm))

    def resume(self, tick: float, bpm: float, now: int, state: str) -> list[Effect]:
        """After a restart: the song is at `tick` now. With a followed clock it goes on alone until
        that is locked again, and falls in with it."""
        clock = max(0, math.ceil(tick / TICKS_PER_CLOCK))
        self.transport.event("locate", clock)
        at = Anchor(tick, now, bpm)
        self._bpm = bpm
        if state not in ("running", "lost"):
            self._map = TempoMap(at)
            return [Effect("locate", clock)]
        self.transport.event("continue")
        self.transport.event("pulse", 1)
        if self.following:
            self._line = at
            self.transport.event("loss")
        else:
            self._map = TempoMap(at)
        # Whoever follows us has kept running or not; only a position and Continue is sure.
        return [Effect("begin", clock, at.time_of(clock * TICKS_PER_CLOCK))]

    # --- what comes in --------------------------------------------------------------------------

    def midi(self, stamp: int, data: bytes) -> list[Effect]:
        """A real-time or Song Position message of the followed source."""
        status = data[0]
        if status == 0xF8:
            return self._pulse(stamp)
        if status in (0xFA, 0xFB):
            self.follower.anew()  # a host may begin a new phase with these
        if status == 0xFA:
            return [
                *self._carry_out(self.transport.event("start"), stamp),
                Effect("send", data=data),
            ]
        if status == 0xFB:
            effects = self._carry_out(self.transport.event("continue"), stamp)
            return [*effects, Effect("send", data=data)]
        if status == 0xFC:
            effects = self._carry_out(self.transport.event("stop"), stamp)
            where = [Effect("locate", self.transport.position)] if effects else []
            return [*effects, Effect("send", data=data), *where]
        if status == 0xF2 and len(data) == 3:
            place = (data[1] & 0x7F) | (data[2] & 0x7F) << 7
            effects = self._carry_out(self.transport.event("position", place), stamp)
            return effects if self.playing else [*effects, Effect("send", data=data)]
        return []

    def check(self, now: int) -> list[Effect]:
        """Looks whether the followed clock has gone; often enough is every 10 ms."""
        if not self.following or self.transport.state != "running":
            return []
        if self.follower.state(now) not in ("alone", "lost"):
            return []
        self.transport.event("loss")
        return [Effect("says", text=f"no clock from {self.source}: running on at {self.bpm:.1f}")]

    # --- inside ---------------------------------------------------------------------------------

    def _pulse(self, stamp: int) -> list[Effect]:
        follower, transport = self.follower, self.transport
        count = follower.pulse(stamp)
        if transport.state == "lost":
            if follower.state(stamp) != "locked":
                return []
            if self._counted != follower.began:
                # By our own line, which has run on: the nearest clock is the one that arrived.
                clock = max(0, round(self.tick_at(stamp) / TICKS_PER_CLOCK))
                self._origin = follower.index - clock
                self._counted = follower.began
            count = follower.index - self._origin + 1 - transport.position
        effects = self._two_clocks()
        for action in transport.event("pulse", count):
            if action.do in ("play", "jump"):
                assert action.clock is not None
                self._origin = follower.index - action.clock
                self._counted = follower.began
                self._take_line(stamp, action.clock)
                at = min(self.time_of(action.clock * TICKS_PER_CLOCK), stamp)
                self._begun_ns = at
                effects.append(Effect("begin", action.clock, at))
            elif action.do == "relock":
                effects.append(Effect("says", text=f"the clock of {self.source} is back"))
        if not effects or effects[-1].do != "begin":
            self._take_line(stamp, None)
        return [*effects, Effect("moved")]

    def _two_clocks(self) -> list[Effect]:
        """Says once that two clocks come in, and that one has gone."""
        two = self.follower.two
        if bool(two) is self._two:
            return []
        self._two = bool(two)
        if two is None:
            return [Effect("says", text=f"one clock again from {self.source}")]
        tempos = f"{two[0]:.1f} and {two[1]:.1f} bpm"
        return [
            Effect("says", text=f"two clocks come in from {self.source} ({tempos}): take one away")
        ]

    def _take_line(self, stamp: int, clock: int | None) -> None:
        if self.follower.bpm:
            self._line = self.follower.anchor(self._origin)
        elif clock is not None:
            # The very first clock is the downbeat: until the second one, any tempo is a guess.
            self._line = Anchor(clock * TICKS_PER_CLOCK, stamp, self._bpm)

    def _press(self, event: str, data: bytes, now: int) -> list[Effect]:
        actions = self.transport.event(event)
        effects = self._carry_out(actions, now)
        if self.following:
            # Whoever follows us may start only with the clock that we wait for, like us.
            return [*effects, Effect("send", data=data)] if actions else effects
        words = (*self._position(), data) if event == "continue" else (data,)
        return [*effects, *self._pulse_inside(now, words)]

    def _pulse_inside(self, now: int, words: tuple[bytes, ...] = ()) -> list[Effect]:
        """The internal clock's own next clock, far enough away for what must go before it. `words`
        go to those who follow us after the last clock before it, at least 1 ms ahead (p. 30)."""
        old = self._map
        count = math.ceil(old.tick_at(now + self.head_ns) / TICKS_PER_CLOCK)
        at = old.time_of(count * TICKS_PER_CLOCK)
        for action in self.transport.event("pulse", 1):
            if action.do in ("play", "jump"):
                assert action.clock is not None
                self._map = TempoMap(Anchor(action.clock * TICKS_PER_CLOCK, at, self._bpm))
                self._begun_ns = at
                sends = [Effect("send", ns=at - WORDS_NS, data=data) for data in words]
                return [*sends, Effect("begin", action.clock, at)]
        return []

    def _position(self) -> list[bytes]:
        waiting = self.transport.waiting
        place = self.transport.position if waiting is None else waiting
        sixteenths = place // CLOCKS_PER_SIXTEENTH
        if sixteenths > 16383:
            return []
        return [bytes((0xF2, sixteenths & 0x7F, sixteenths >> 7))]

    def _round_up(self) -> None:
        if self.whole_sixteenths and self.transport.state == "stopped":
            place = -(-self.transport.position // CLOCKS_PER_SIXTEENTH) * CLOCKS_PER_SIXTEENTH
            self.transport.event("locate", place)

    def _carry_out(self, actions: tuple[Action, ...], now: int) -> list[Effect]:
        effects: list[Effect] = []
        for action in actions:
            if action.do == "locate":
                effects.append(Effect("locate", action.clock or 0))
            elif action.do == "close":
                effects.append(Effect("close", ns=now))
        return effects
