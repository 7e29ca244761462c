"""What others go by: MIDI clock to chosen ports, and clock, reset and run outputs of interfaces.

MIDI clock is 24 to the quarter (MIDI 1.0 Detailed Specification 4.2.1, p. 30). It goes on while the
song stands, so that others can lock before it starts; pulses in the rack belong to the song and
rest with it. A pulse is at most 10 ms and at most 40 % of its period long, so that 24 a quarter at
300 BPM still have edges; reset comes 2 ms before the first pulse (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from bridge.clock.tempo import TICKS_PER_CLOCK
from bridge.music.model import TICKS_PER_QUARTER
from bridge.player.timeline import Item
from bridge.voltage.profile import WiredOutput

RESET_EARLY_NS = 2_000_000
RESET_KEPT_NS = 1_000_000_000
"""A reset that was sent when Start came counts for the first clock, if that comes within this."""
PULSE_NS = 10_000_000
PULSE_SHARE = 0.4
CLOCK_BYTE = b"\xf8"
_MINUTE_NS = 60_000_000_000


class Leading:
    """Makes the queue items of everything that is clock. `send_to` are ports."""

    def __init__(
        self, outputs: Mapping[str, WiredOutput], send_to: tuple[str, ...], trigger_ns: int
    ) -> None:
        self.send_to = send_to
        driven = {n: w.output for n, w in outputs.items() if w.output.address.by != "clock"}
        self.clocks = {n: max(1, out.ppqn) for n, out in driven.items() if out.kind == "clock"}
        self.resets = [name for name, out in driven.items() if out.kind == "reset"]
        self.runs = [name for name, out in driven.items() if out.kind == "run"]
        self._width = {
            name: round(out.pulse_ms * 1e6) or trigger_ns for name, out in driven.items()
        }
        self._clock_tick = 0
        self._last_clock = 0
        self._reset_ns = -RESET_KEPT_NS
        self._late_tick: int | None = None

    # --- MIDI clock -----------------------------------------------------------------------------

    def align(self, tick: float) -> None:
        """The next clock is the first at or after `tick`."""
        self._clock_tick = -(-int(tick) // TICKS_PER_CLOCK) * TICKS_PER_CLOCK

    def clock_bytes(
        self, until: int, time_of: Callable[[int], int], anchored: bool
    ) -> Iterator[Item]:
        """The clocks that are due by `until` ns and were not given out yet."""
        if not self.send_to:
            return
        while time_of(self._clock_tick) <= until:
            yield Item("byte", self._clock_tick, data=CLOCK_BYTE, anchored=anchored)
            self._clock_tick += TICKS_PER_CLOCK

    def next_clock(self, time_of: Callable[[int], int]) -> int:
        """When the next clock that was not given out yet is due, in ns."""
        return time_of(self._clock_tick)

    def may_send(self, due: int, bpm: float) -> bool:
        """Whether a clock due at `due` is a new one: the same one can come twice when the line
        from ticks to time is taken anew."""
        if due - self._last_clock < _MINUTE_NS / (bpm * 24) / 2:
            return False
        self._last_clock = due
        return True

    # --- the rack -------------------------------------------------------------------------------

    def pulses(self, start: int, end: int, bpm: float) -> Iterator[Item]:
        """Clock pulses with start <= tick < end."""
        for name, ppqn in self.clocks.items():
            step = TICKS_PER_QUARTER // ppqn
            for tick in range(-(-start // step) * step, end, step):
                yield self._pulse(name, tick, bpm, ppqn)

    def begin(self, clock: int, at: int, now: int) -> Iterator[Item]:
        """Reset (only at the beginning of the song) and run, before the first pulse. Where nobody
        could know that a followed clock would begin here, the first pulse waits for the reset."""
        tick = clock * TICKS_PER_CLOCK
        self._late_tick = None
        if clock == 0 and at - self._reset_ns > RESET_KEPT_NS:
            if self.resets and at - RESET_EARLY_NS < now:
                self._late_tick = tick
            for item in self._resets(tick):
                item.early = RESET_EARLY_NS
                yield item
        for name in self.runs:
            yield Item("pulse", tick, output=name, value=1.0, length=1 << 60, early=RESET_EARLY_NS)

    def reset_now(self, now: int) -> list[Item]:
        """Reset at once: Start has come, and the first clock is still on its way."""
        self._reset_ns = now
        return self._resets(0)

    def _resets(self, tick: int) -> list[Item]:
        return [
            Item("pulse", tick, output=name, value=1.0, width=min(self._width[name], PULSE_NS))
            for name in self.resets
        ]

    def _pulse(self, name: str, tick: int, bpm: float, ppqn: int) -> Item:
        most = int(_MINUTE_NS / (bpm * ppqn) * PULSE_SHARE)
        width = min(self._width[name], PULSE_NS, most)
        early = -RESET_EARLY_NS if tick == self._late_tick else 0
        return Item("pulse", tick, output=name, value=1.0, width=width, early=early)
