"""From the queue to the ports: what falls together is encoded, put in order, and sent on time."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from itertools import repeat
from typing import Any, Protocol

from bridge.errors import CommandError
from bridge.player.leading import CLOCK_BYTE, Leading
from bridge.player.outputs import Outputs
from bridge.player.pace import Longest
from bridge.player.timeline import Item, Timeline
from bridge.voltage.encode import CLOCK, Message
from bridge.voltage.wire import order

STAGE_NS = 1_000_000
"""What falls together is encoded this long before its deadline, at most."""
SURE_NS = 60_000
"""This much of the time before a deadline is left when everything is encoded. For encoding itself,
half as much again is kept as it took of late for as many items: for less, more are late; for more,
there is often time to sleep once more (both measured). Where only levels glide nothing is left, and
half of what encoding took is kept: they leave about at their time, some sooner and some later."""
EARLY_NS = 200_000
"""Steps of glides leave when they are encoded, so much before their deadline at most: nobody hears
that of a value that moves all the time, and the player need not stay awake until then."""
BEFORE_ITEMS = 3
"""What encoding takes besides its items is as long as for this many of them (measured)."""
GLIDE_WAITS_NS = 2_000_000
GLIDE_TICKS = 20
"""Values of one output that come closer than this are a glide: they may be thinned."""
TRY_NS = 250_000_000
"""A gate that is tried by hand closes after this, if its interface has no pulse of its own."""
PLAYED_MOST = 1024


class Pacing(Protocol):
    """Says what may leave now, where that is known beforehand."""

    def may_stage(self, due: int) -> bool:
        """Whether what is due then leaves before the next move."""

    def may_send_waiting(self, now: int) -> bool:
        """Whether values that had waited leave now."""


class Sender:
    """Owns the timeline. `played` collects rows [tick, lane, kind, value, length, due ns] for
    whoever reads and clears it; it is bounded."""

    def __init__(self, timeline: Timeline, outputs: Outputs, leading: Leading) -> None:
        self.timeline = timeline
        self.outputs = outputs
        self.leading = leading
        self.played: list[list[Any]] = []
        self.notice: Callable[[Item, int], None] | None = None
        """Called with each hit and value of a lane and its deadline, when somebody wants more than
        `played` tells."""
        self.pacing: Pacing | None = None
        """Set where a take is played again: what may leave before the next move."""
        self._clock = outputs.clock
        self._each = Longest(0)
        """What encoding took of late, for each item."""
        self._staged: list[tuple[Message, str]] = []
        self.staged_due: int | None = None
        """When the messages that are ready leave, or None when none are."""
        self._known = -1
        self._next_due: int | None = None
        """Of the timeline as it was at its change `_known`."""
        self._group = 0
        """How many items leave then."""
        self._levels = False
        """Whether they are steps of glides and nothing else."""
        self._staged_levels = False
        """Whether the messages that are ready are."""
        self._value_tick: dict[str, int] = {}
        self._raised: set[str] = set()

    # --- on time -------------------------------------------------------------------------------

    def stage(self, now: int, bpm: float) -> int | None:
        """Encodes what falls together next, if that is near; returns its deadline."""
        due = self.next_due()
        if due is None or due > now + STAGE_NS:
            return None
        if self.pacing is not None and not self.pacing.may_stage(due):
            return None
        begun, self._staged_levels = self._clock(), self._levels
        first, group = self.timeline.pop_group()
        while first < due:  # what was called off may lie between
            first, more = self.timeline.pop_group()
            group += more
        if self.outputs.tape is not None:
            self.outputs.tape.staged = due
        messages: list[tuple[Message, str]] = []
        for item in group:
            owner = item.owner
            messages += [(message, owner) for message in self._encode(item, due, bpm)]
        messages += self.outputs.moved(due, self._next_hits)
        self._staged = order(messages, _message)
        self.staged_due = due
        self._each.took((self._clock() - begun) // (len(group) + BEFORE_ITEMS))
        return due

    def near(self, now: int) -> bool:
        """Whether something leaves within the time in which it is encoded."""
        due = self.next_due()
        return due is not None and due <= now + STAGE_NS

    def next_due(self) -> int | None:
        """When the next messages leave, or None when none are known. A step of a glide waits for
        what is sent next, if that is no hit and comes within the time by which levels lead: the
        player wakes once for both."""
        if self._known != self.timeline.changes:
            self._known = self.timeline.changes
            self._next_due = self._find_due()
        return self._next_due

    def _find_due(self) -> int | None:
        timeline = self.timeline
        due = timeline.next_due()
        if due is None:
            self._group, self._levels = 0, False
            return None
        self._group, self._levels = timeline.group(due, self._glides)
        if not self._levels:
            return due
        later = timeline.due_after(due)
        if later is None or later > due + GLIDE_WAITS_NS:
            return due
        self._group, self._levels = timeline.count(later), False
        return later

    def _glides(self, item: Item) -> bool:
        last = self._value_tick.get(item.output or "")
        return last is not None and 0 < item.tick - last <= GLIDE_TICKS

    @property
    def lead_ns(self) -> int:
        """How long before their deadline the next messages should be encoded."""
        took = self._each.ns * (self._group + BEFORE_ITEMS)
        return min(took // 2 if self._levels else SURE_NS + took * 3 // 2, STAGE_NS)

    def may_leave(self, now: int) -> bool:
        """Whether the messages that are ready leave at once, and not only at their deadline."""
        due = self.staged_due
        if due is None or due <= now:
            return due is not None
        return self._staged_levels and due - self._clock() <= EARLY_NS

    def send_staged(self) -> None:
        staged, due = self._staged, self.staged_due
        self._staged, self.staged_due = [], None
        self.outputs.send((row[0] for row in staged), due, (row[1] for row in staged))

    def slack(self, now: int) -> int:
        """Ns until something must be sent."""
        due = self.staged_due if self.staged_due is not None else self.next_due()
        return 1_000_000_000 if due is None else due - now

    def send_moved(self, now: int) -> None:
        """Sends moved values whose turn it is."""
        if self.pacing is not None and not self.pacing.may_send_waiting(now):
            return
        moved = self.outputs.moved(now, self._next_hits)
        if moved:
            self.outputs.send((row[0] for row in moved), None, (row[1] for row in moved), now)
        elif self.outputs.turned and self.outputs.tape is not None:
            self.outputs.tape.turn(now)

    # --- at once -------------------------------------------------------------------------------

    def quiet(self, before: int = 0) -> None:
        """Every gate closed, nothing queued but bytes due before `before`."""
        if self.staged_due is not None:
            self.send_staged()
        self.close_gates()
        self.timeline.clear(before)
        self._value_tick.clear()

    def close_gates(self) -> None:
        """Every gate closed now; what is queued stays."""
        self._close(self.timeline.close_all())

    def silence(self, lane: str) -> None:
        """The lane's gate closed now, and what it has queued dropped."""
        self.timeline.drop_lane(lane)
        self._close(self.timeline.close_lane(lane))

    def shift(self, output: str, volts: float, now: int) -> None:
        """A hand moves a level output by `volts`: what stands there now, and what is queued for
        it, so that it does not fall back until the renderer has caught up. Kept within the range
        of the output."""
        stands = self.outputs.given.get(output)
        if not volts or stands is None:
            return
        wired = self.outputs.wired[output].output
        self.timeline.shift(output, volts, wired.low, wired.high)
        self.outputs.offer(output, min(max(stands + volts, wired.low), wired.high), now)

    def realtime(self, data: bytes, at: int, now: int) -> None:
        """Bytes for whoever follows our clock, at `at` or at once."""
        if at > now:
            self.timeline.add_at(Item("byte", 0, data=data), at)
        else:
            self.outputs.send([Message(port, CLOCK, data) for port in self.leading.send_to])

    def try_output(self, output: str, action: str, value: float, now: int, ms: float = 0.0) -> None:
        """One output by hand: a gate opens (and closes by itself, after `ms` when given) or
        closes, a value moves.

        Raises CommandError when there is no such output, or it is of another kind.
        """
        wired = self.outputs.wired.get(output)
        if wired is None:
            raise CommandError(f"there is no output {output!r}", "unknown")
        kind = wired.output.kind
        fits = {"gate": wired.output.gates, "pitch": kind == "pitch", "level": kind == "level"}
        if not fits[action]:
            raise CommandError(f"{output} is a {kind} output: no {action} there")
        if action != "gate":
            self.outputs.offer(output, value, now)
            if action == "level" and value != wired.output.rest:
                self._raised.add(output)
            else:
                self._raised.discard(output)
        elif value > 0:
            width = round((ms or wired.output.pulse_ms) * 1e6) or TRY_NS
            item = Item("on", 0, output=output, value=min(value, 1.0), kind="try", width=width)
            self.timeline.hit_at(item, now)
        else:
            self._close(self.timeline.close_output(output))

    def end_trials(self, playing: Mapping[str, float], now: int) -> None:
        """Nobody is there any more who could end what was tried: levels go back to what is
        `playing`, or to rest. Gates close by themselves; pitches stay, they make no sound."""
        for output in sorted(self._raised):
            rest = self.outputs.wired[output].output.rest
            self.outputs.offer(output, playing.get(output, rest), now)
        self._raised.clear()

    # --- inside --------------------------------------------------------------------------------

    def _next_hits(self) -> dict[str, int]:
        return self.timeline.next_hits(self.outputs.port_of)

    def _close(self, outputs: list[str]) -> None:
        for output in outputs:
            owner = self.outputs.owners.get(output, "")
            self.outputs.send(self.outputs.gate_off(output), None, repeat(owner))

    def _encode(self, item: Item, due: int, bpm: float) -> list[Message]:
        out, timeline = self.outputs, self.timeline
        if item.sort == "on":
            self._note(item, due)
            if item.output is None:
                return []
            timeline.opened(item)
            out.owners[item.output] = item.owner
            return out.gate_on(item.output, item.value)
        if item.sort == "value":
            return self._value(item, due)
        if item.sort == "off":
            output = timeline.closes(item)
            return [] if output is None else out.gate_off(output)
        if item.sort == "pulse" and item.output is not None:
            timeline.opened(item)
            return out.pulse_on(item.output)
        if item.sort == "mute":
            return [m for o in timeline.close_lane(item.owner) for m in out.gate_off(o)]
        if item.data == CLOCK_BYTE and not self.leading.may_send(due, bpm):
            return []
        return [Message(port, CLOCK, item.data) for port in self.leading.send_to]

    def _value(self, item: Item, due: int) -> list[Message]:
        output = item.output
        if output is None:
            return []
        self._note(item, due)
        last = self._value_tick.get(output)
        self._value_tick[output] = item.tick
        step = last is None or not 0 <= item.tick - last <= GLIDE_TICKS
        if item.kind == "pitch" and step:
            # A new note must be there before its gate; only what moves may wait.
            self.outputs.withdraw(output)
            return self.outputs.value(output, item.value)
        self.outputs.offer(output, item.value, due, item.owner, glides=not step)
        return []

    def _note(self, item: Item, due: int) -> None:
        if not item.owner:
            return
        self.played.append([item.tick, item.owner, item.kind, item.value, item.length, due])
        if len(self.played) > PLAYED_MOST:
            del self.played[: PLAYED_MOST // 2]
        if self.notice is not None:
            self.notice(item, due)
        if self.outputs.tape is not None:
            row = (item.tick, due, item.owner, item.kind, item.value, item.length, item.output)
            self.outputs.tape.event(row)


def _message(row: tuple[Message, str]) -> Message:
    return row[0]
