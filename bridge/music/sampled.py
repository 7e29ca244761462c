"""Lanes of values that move all the time: what those sampled on the control grid have in common.

A lane that hits start again is a pair of nodes where both times are asked for: one starts where a
hit is written, for lanes that read its value, the other where the hit sounds, for outputs. So an
envelope goes on falling until the very tick at which a late hit sounds.
"""

from __future__ import annotations

import math

from bridge.music.line import CONTROL_GRID
from bridge.music.node import Change, Hit, Window
from bridge.music.value_node import Placed, ValueNode
from bridge.music.value_states import SamplesState, Start, ValueState


class SampledNode(ValueNode):
    """A lane sampled on the control grid. A subclass says what starts it and what a sample is."""

    started_by: tuple[int, ...] = ()
    settings: tuple[str, ...] = ()
    """What a subclass asks for with each sample."""

    def __init__(self, of: Placed, heard: bool = False) -> None:
        """`heard` makes the node that starts where hits sound."""
        super().__init__(of)
        self.in_heard_time = heard
        self.twin: SampledNode | None = None
        self.next = 0
        self.lead = 0
        self.done = 0
        self._later: list[Start] = []
        self._sent: float | None = None
        self._version = -1
        self.still = False
        """Whether nothing moves what a sample is made of: then it is asked for once a version."""
        self.asleep = False
        """Set where it was left out on the way to another place: it begins there with the next
        sample."""
        self._glide = 0
        self._shift = 0.0

    def pair(self, twin: SampledNode) -> None:
        """Take a node in sounding time beside this one, when outputs need it: nothing is late in
        a lane that no hit starts."""
        if self.started_by and self.played:
            self.twin = twin

    def heard_at(self, tick: int) -> float:
        return super().heard_at(tick) if self.twin is None else self.twin.heard_at(tick)

    def starts(self, window: Window) -> list[Start]:
        """What is known since the last window to start the lane again."""
        raise NotImplementedError

    def start(self, window: Window, start: Start) -> None:
        raise NotImplementedError

    def sample(self, window: Window, grid: int) -> float | None:
        """The value at `grid`, None when nothing moves."""
        raise NotImplementedError

    def place_of(self, hit: Hit) -> tuple[int, int]:
        """Where a hit starts the lane, and how much later than there it sounds."""
        if self.on_grid:
            return hit.grid, 0
        if self.in_heard_time:
            return max(hit.tick, self.done), 0
        return hit.grid, hit.tick - hit.grid

    def run(self, window: Window) -> None:
        if self.asleep:
            self.asleep = False
            for node in (self, self.twin):
                if node is not None:
                    first = max(node.next, window.start)
                    node.next = -(-first // CONTROL_GRID) * CONTROL_GRID
        if self.twin is None or self.read:
            self._run(window)
        if self.twin is not None:
            self.twin.lag = self.lag
            self.twin._run(window)

    def _run(self, window: Window) -> None:
        end = max(self.done, window.end - self.lag) if self.in_heard_time else window.end
        if self.next >= end and self.idle(window):
            self.done = end
            return
        out = self.begin(window)
        if self._version != window.version:
            self._version = window.version
            self.look(window)
        if self.in_heard_time:
            window.sounds[self.lane] = out
        found = sorted(self._later + self.starts(window))
        self._later = [start for start in found if start.grid >= end]
        grid = self.next
        due = found[: len(found) - len(self._later)]
        for start in due[-1:] if self.lane in window.passing.lasts else due:
            grid = self._send_until(window, out, grid, start.grid)
            self.start(window, start)
            self.lead = start.lead
            self._send(window, out, start.grid)
            if grid == start.grid:
                grid += CONTROL_GRID
        self.next = grid = self._send_until(window, out, grid, end)
        self.done = end
        self.due = -1 if self.reads else grid
        self.finish(window)

    def idle(self, window: Window) -> bool:
        return not self._later and super().idle(window)

    def finish(self, window: Window) -> None:
        if self._transposing:
            self._semitones(self.done - 1)

    def look(self, window: Window) -> None:
        """Ask for what holds until the version changes."""
        asked = (*self.settings, "slew", "slew_ms", "shift", "shift_ms")
        self.still = not self.pitch and all(window.fixed(self.lane, name) for name in asked)
        if self.still:
            self._glide = self.glide_ticks(window, window.start)
            self._shift = self.shift_ticks(window, window.start)

    def _send_until(self, window: Window, out: list[Change], grid: int, end: int) -> int:
        """Send the samples from `grid` to before `end`; returns where the next one is."""
        for at in range(grid, end, CONTROL_GRID):
            self._send(window, out, at)
        return grid + max(0, -(-(end - grid) // CONTROL_GRID)) * CONTROL_GRID

    def _send(self, window: Window, out: list[Change], grid: int) -> None:
        level = self.sample(window, grid)
        if level is None:
            return
        value = level if self.still else self.heard(window, grid, level)
        if value == self._sent:
            return
        self._sent = value
        if self.still:
            tick = max(0, math.floor(grid + self.lead + self._shift + 0.5))
            self.move(out, grid, tick, value, self._glide)
            return
        tick = self.sounding(window, grid, self.lead)
        self.move(out, grid, tick, value, self.glide_ticks(window, grid))

    def rewind(self) -> None:
        super().rewind()
        self.next = self.lead = self.done = 0
        self.asleep = False
        self._later = []
        self._sent = None
        self._version = -1
        self.due = -1 if self.reads else 0
        if self.twin is not None:
            self.twin.rewind()

    def carry(self) -> ValueState:
        state = super().carry()
        state.own = self.own()
        state.samples = SamplesState(
            self.next,
            self.lead,
            self.done,
            list(self._later),
            self._sent,
            self.twin is None or self.read,
            None if self.twin is None else self.twin.carry(),
        )
        return state

    def own(self) -> object:
        """What a subclass keeps besides."""
        raise NotImplementedError

    def adopt(self, carry: object, at: int) -> None:
        samples = carry.samples if isinstance(carry, ValueState) else None
        twin = carry if samples is None or samples.twin is None else samples.twin
        if samples is not None and not samples.runs:  # it stood still, as nobody asked for it
            carry = twin
            samples = twin.samples if isinstance(twin, ValueState) else None
        super().adopt(carry, at)  # which rewinds both
        if self.twin is not None:
            self.twin.adopt(twin, at)
        self.next = -(-at // CONTROL_GRID) * CONTROL_GRID
        self.done = at
        if samples is not None:
            self.next, self.lead, self.done = samples.next, samples.lead, samples.done
            self._later = list(samples.later)
            self._sent = samples.sent if self.line.pieces else None
        self.due = -1 if self.reads else self.next
        if isinstance(carry, ValueState):
            self.take(carry, at)

    def take(self, carry: ValueState, at: int) -> None:
        """Take over what a node of the same kind keeps of its own."""
        raise NotImplementedError
