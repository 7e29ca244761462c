"""A player reduced to its sense of time: a follower, a transport, and the steps it would play."""

from __future__ import annotations

from bridge.clock.follower import Follower
from bridge.clock.tempo import TICKS_PER_CLOCK, Anchor
from bridge.clock.transport import Action, Transport

STEP = 240
"""A sixteenth, in ticks."""
_CLOCKS_PER_STEP = STEP // TICKS_PER_CLOCK
_LOOK_NS = 2_000_000


class Band:
    """Takes what a host sends, in order of time, and plays one note on every sixteenth.

    `played` lists (step, ns) in the order of playing. Every play and jump is listed in `landed`
    as (clock, ns).
    """

    def __init__(self) -> None:
        self.follower = Follower()
        self.transport = Transport()
        self.line: Anchor | None = None
        self.played: list[tuple[int, int]] = []
        self.landed: list[tuple[int, int]] = []
        self.states: list[str] = []
        self._origin = 0
        self._step = 0
        self._now = 0

    def until(self, now: int) -> None:
        """Plays what is due up to `now`, and looks for a lost clock on the way."""
        if not self._now:
            self._now = now
        while self._now < now:
            self._now = min(now, self._now + _LOOK_NS)
            self._play(self._now)
            state = self.follower.state(self._now)
            if not self.states or self.states[-1] != state:
                self.states.append(state)
            if state in ("alone", "lost") and self.transport.state == "running":
                self.transport.event("loss")

    def host(self, ns: int, event: str, value: int | None = None) -> tuple[Action, ...]:
        """One message of the host, at `ns`."""
        self.until(ns)
        if event != "pulse":
            if event in ("start", "continue"):
                self.follower.anew()
            return self.transport.event(event, value)
        steps = self.follower.pulse(ns)
        actions = self.transport.event("pulse", steps)
        for action in actions:
            if action.do in ("play", "jump"):
                assert action.clock is not None
                self._origin = self.follower.index - action.clock
                self._step = -(-action.clock // _CLOCKS_PER_STEP)
                self.landed.append((action.clock, ns))
        if self.follower.period_ns:
            self.line = self.follower.anchor(self._origin)
        self._play(ns)
        return actions

    def _play(self, now: int) -> None:
        if self.line is None or self.transport.state not in ("running", "lost"):
            return
        # A jump that waits for the next clock: that clock's own steps are not for now.
        end = (
            self.transport.position * TICKS_PER_CLOCK
            if self.transport.waiting is not None
            else None
        )
        while (due := self.line.time_of(self._step * STEP)) <= now:
            if end is not None and self._step * STEP >= end:
                return
            self.played.append((self._step, max(due, self.played[-1][1] if self.played else due)))
            self._step += 1

    @property
    def steps(self) -> list[int]:
        return [step for step, _ in self.played]
