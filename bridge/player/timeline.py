"""The queue of what is to be sent: first by tick, then, for the next few milliseconds, by time.

Stage one is a heap of ticks: it follows every change of tempo, clock and offset by itself. What
comes within the horizon is *bound*: it gets an absolute deadline in ns and moves to stage two.
`rebind` sends stage two back to stage one, so that a change of tempo or offset reaches what has not
been sent; each item is sent once, whatever happens.

Gates are kept here too. Every hit makes a `Gate`, and every gate has something in the queue that
closes it: the end of its length, of its pulse, or its successor, which needs it closed a retrigger
gap before. A hit that comes sooner than two gaps after the one before gets half of the time between
them. Where lanes share an output, each lane's gate is open as long as the lane asks for: a short
hit of one opens the output anew, and leaves it open for the rest of another's longer gate.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

CLOCK, OFF, VALUE, ON = range(4)

Sort = Literal["on", "off", "value", "pulse", "byte", "mute"]
_RANK: dict[str, int] = {
    "byte": CLOCK,
    "pulse": CLOCK,
    "off": OFF,
    "mute": OFF,
    "value": VALUE,
    "on": ON,
}
NO_LANE = 1 << 20
"""Lane position of what belongs to no lane: after all lanes, within its kind."""


@dataclass(slots=True, eq=False)
class Gate:
    """One opening of an output. `sent`: the note-on has left; `closed`: so has its end (or it was
    called off). `asked` holds, by lane, the tick until which it is to stay open; a pulse has its
    width instead."""

    output: str
    owner: str
    due: int
    asked: dict[str, int] = field(default_factory=dict)
    sent: bool = False
    closed: bool = False
    before: Gate | None = None

    def asked_after(self, tick: int) -> bool:
        """Whether a lane still wants it open after `tick`; what ends by then is forgotten."""
        self.asked = {lane: until for lane, until in self.asked.items() if until > tick}
        return bool(self.asked)


@dataclass(slots=True, eq=False)
class Item:
    """One thing to send.

    `lane` is the lane's position, which decides the order within a kind; `owner` its name, which
    outlives a change of set ("" for what belongs to no lane).
    `early` is how many ns before its tick it leaves (pitch leads its gate; an interface has
    latency). `anchored` items (our MIDI clock, when we lead) are not moved by the offset.
    `width` in ns makes a pulse of a hit; 0 means the gate lasts `length` ticks. A `forced` off
    closes its gate even if a longer one was asked for.
    """

    sort: Sort
    tick: int
    lane: int = NO_LANE
    owner: str = ""
    output: str | None = None
    value: float = 0.0
    length: int = 0
    kind: str = ""
    early: int = 0
    width: int = 0
    anchored: bool = False
    forced: bool = False
    dead: bool = False
    due: int = 0
    gate: Gate | None = None
    data: bytes = b""
    timed: bool = False
    """Has a time of its own and no tick: never goes back to stage one."""

    @property
    def idle(self) -> bool:
        """Nothing will come of it: it was called off, or its gate is closed already. (Whether there
        is such an off at all depends on when its successor was bound; nothing else may.)"""
        return self.dead or (self.sort == "off" and self.gate is not None and self.gate.closed)


class Timeline:
    """The two-stage queue. All times are monotonic ns; `time_of` turns ticks into them."""

    def __init__(self, gap_ns: int) -> None:
        self.gap_ns = gap_ns
        self.gates: dict[str, Gate] = {}
        """The newest gate of each output, bound or sent, that is not closed."""
        self._ticks: list[tuple[int, int, int, int, Item]] = []
        self._due: list[tuple[int, int, int, int, Item]] = []
        self._number = 0
        self.changes = 0
        """Counts up whenever what is bound to deadlines changes, or becomes idle."""
        self.bound_until = 0
        """All that was here by the last `bind` and may be due before this has its deadline."""

    def __len__(self) -> int:
        return len(self._ticks) + len(self._due)

    # --- in -------------------------------------------------------------------------------------

    def add(self, item: Item) -> None:
        """An item that goes by its tick."""
        self._number += 1
        heapq.heappush(self._ticks, (item.tick, _RANK[item.sort], item.lane, self._number, item))

    def hit_at(self, item: Item, due: int) -> None:
        """A hit with a time of its own: a test of one output."""
        item.timed = True
        if self._open_gate(item, due):
            self._push(item, due)

    def add_at(self, item: Item, due: int) -> None:
        """An item that goes at `due` ns, whatever becomes of the ticks."""
        item.timed = True
        self._push(item, due)

    def bind(self, until: int, time_of: Callable[[int], int], offset: int, earliest: int) -> None:
        """Gives a deadline to everything that may be due by `until`.

        `offset` is added to every deadline but those of anchored items; `earliest` is the most by
        which any item may leave before its tick (its `early`, or a negative offset).
        """
        heap = self._ticks
        while heap:
            at = time_of(heap[0][0])
            if at - earliest > until:
                break
            item = heapq.heappop(heap)[4]
            if item.dead:
                continue
            due = at - item.early + (0 if item.anchored else offset)
            hits = item.sort in ("on", "pulse") and item.output is not None
            if not hits or self._open_gate(item, due):
                self._push(item, due)
        self.bound_until = until

    def rebind(self) -> None:
        """Everything bound but not sent gives its deadline back, to be bound again."""
        kept: list[tuple[int, int, int, int, Item]] = []
        for entry in self._due:
            item = entry[4]
            if item.dead:
                continue
            if item.timed:
                gate = item.gate
                # The end of a pulse goes with its hit, and a successor's claim with the successor.
                if gate is None or (gate.sent and not item.forced):
                    kept.append(entry)
            elif item.sort == "off" and item.gate is not None and not item.gate.sent:
                continue
            else:
                heapq.heappush(self._ticks, (item.tick, entry[1], entry[2], entry[3], item))
        for output in list(self.gates):
            self._unwind(output, lambda gate: not gate.sent)
        heapq.heapify(kept)
        self._due = kept
        self.changes += 1
        self.bound_until = 0

    # --- out ------------------------------------------------------------------------------------

    def next_tick(self) -> int | None:
        """The earliest tick that is not bound yet."""
        heap = self._ticks
        while heap and heap[0][4].dead:
            heapq.heappop(heap)
        return heap[0][0] if heap else None

    def next_due(self) -> int | None:
        """The earliest deadline, or None when nothing is bound."""
        heap = self._due
        while heap and heap[0][4].idle:
            heapq.heappop(heap)
        return heap[0][0] if heap else None

    def count(self, due: int) -> int:
        """How many items have that deadline, or an earlier one."""
        return sum(entry[0] <= due for entry in self._due)

    def group(self, due: int, wanted: Callable[[Item], bool]) -> tuple[int, bool]:
        """How many items have the earliest deadline, and whether all of them move level outputs
        and are `wanted`."""
        count, levels = 0, True
        for at, rank, _, _, item in self._due:
            if at == due:
                count += 1
                if levels and not item.dead:
                    level = rank == VALUE and item.kind == "level" and item.output is not None
                    levels = level and wanted(item)
        return count, levels

    def due_after(self, due: int) -> int | None:
        """The next deadline after `due`; None when there is none, or it opens a gate."""
        found: tuple[int, bool] | None = None
        for at, rank, _, _, item in self._due:
            if at <= due or item.idle:
                continue
            opens = rank == ON or item.sort == "pulse"
            if found is None or at < found[0] or (at == found[0] and opens):
                found = (at, opens)
        return None if found is None or found[1] else found[0]

    def next_hits(self, port_of: Mapping[str, str]) -> dict[str, int]:
        """By port, the earliest deadline of what a value must not delay."""
        hits: dict[str, int] = {}
        for due, rank, _, _, item in self._due:
            if rank == VALUE or item.idle or item.output is None:
                continue
            port = port_of[item.output]
            if due < hits.get(port, due + 1):
                hits[port] = due
        return hits

    def pop_group(self) -> tuple[int, list[Item]]:
        """Everything of the earliest deadline, in the order it is to be sent."""
        heap = self._due
        due = heap[0][0]
        group: list[Item] = []
        self.changes += 1
        while heap and heap[0][0] == due:
            item = heapq.heappop(heap)[4]
            if not item.dead:
                group.append(item)
        return due, group

    # --- gates ----------------------------------------------------------------------------------

    def opened(self, item: Item) -> None:
        """The note-on of `item` is leaving: its predecessor is closed by now."""
        gate = item.gate
        if gate is None:
            return
        self.changes += 1
        before, gate.before = gate.before, None
        while before is not None:
            before.closed = True
            before = before.before
        gate.sent = True

    def closes(self, item: Item) -> str | None:
        """The output that this off closes now, or None when it has nothing (more) to close."""
        gate = item.gate
        if gate is None or gate.closed or not gate.sent:
            return None
        if not item.forced and not item.timed and gate.asked_after(item.tick):
            return None
        self._closed(gate)
        return gate.output

    def close_lane(self, owner: str) -> list[str]:
        """Outputs to close now because their lane goes silent. One that another lane asks for too
        stays open for that lane."""

        def silent(gate: Gate) -> bool:
            known = gate.asked.pop(owner, None) is not None or gate.owner == owner
            return known and not gate.asked

        return self._close(silent)

    def close_output(self, output: str) -> list[str]:
        """The output itself, if it is open."""
        return self._close(lambda gate: gate.output == output)

    def close_all(self) -> list[str]:
        """Outputs to close now: all that are open."""
        gates = [gate for top in self.gates.values() for gate in _chain(top)]
        self.changes += 1
        for gate in gates:
            gate.closed = True
        self.gates.clear()
        return [gate.output for gate in gates if gate.sent]

    def drop_lane(self, owner: str) -> None:
        """What the lane has queued is never sent; ends of open gates stay queued."""
        self.changes += 1
        for _, _, _, _, item in (*self._ticks, *self._due):
            if item.owner == owner and item.sort in ("on", "value"):
                item.dead = True
        for output in list(self.gates):
            self._unwind(output, lambda gate: gate.owner == owner and not gate.sent)

    def drop_from(self, tick: int) -> None:
        """No gate opens and no value moves at or after `tick`: the song will be elsewhere. Ends
        of open gates stay queued."""
        self.changes += 1
        dropped = set()
        for _, _, _, _, item in (*self._ticks, *self._due):
            if item.tick >= tick and item.sort in ("on", "value") and not item.timed:
                item.dead = True
                dropped.add(id(item.gate))
        for output in list(self.gates):
            self._unwind(output, lambda gate: id(gate) in dropped and not gate.sent)

    def shift(self, output: str, by: float, low: float, high: float) -> None:
        """Moves every value that is queued for an output, within `low` to `high`."""
        for _, rank, _, _, item in (*self._ticks, *self._due):
            if rank == VALUE and item.output == output:
                item.value = min(max(item.value + by, low), high)

    def clear(self, before: int = 0) -> None:
        """Empties the queue; bytes due before `before` stay. Close the gates first."""
        kept = [entry for entry in self._due if entry[4].sort == "byte" and entry[0] < before]
        self._ticks.clear()
        heapq.heapify(kept)
        self._due = kept
        self.changes += 1
        self.bound_until = 0

    # --- inside ---------------------------------------------------------------------------------

    def _push(self, item: Item, due: int) -> None:
        item.due = due
        self._number += 1
        self.changes += 1
        heapq.heappush(self._due, (due, _RANK[item.sort], item.lane, self._number, item))

    def _open_gate(self, item: Item, due: int) -> bool:
        """Makes the gate of a hit and sees to its end; False when it joins one that is there."""
        assert item.output is not None
        before = self.gates.get(item.output)
        until = item.tick + item.length
        asked: dict[str, int] = {}
        if before is not None and not before.closed:
            if before.due == due and not before.sent:
                self._join(before, item, until)
                return False
            if not item.width:
                asked = {lane: end for lane, end in before.asked.items() if end > item.tick}
            end = max(due - self.gap_ns, (before.due + due) // 2)
            self._push(
                Item(
                    "off",
                    item.tick,
                    item.lane,
                    before.owner,
                    item.output,
                    gate=before,
                    forced=True,
                    timed=True,
                ),
                end,
            )
        gate = Gate(item.output, item.owner, due, before=before)
        item.gate = gate
        self.gates[item.output] = gate
        if item.width:
            end_item = Item("off", until, item.lane, item.owner, item.output, gate=gate)
            self.add_at(end_item, due + item.width)
            return True
        gate.asked = {**asked, item.owner: until}
        for last in gate.asked.values():
            self.add(Item("off", last, item.lane, item.owner, item.output, gate=gate))
        return True

    def _join(self, gate: Gate, item: Item, until: int) -> None:
        """Two lanes hit one output at once: one opening, the louder level, the longer length."""
        for entry in self._due:
            if entry[4].gate is gate and entry[4].sort == "on":
                entry[4].value = max(entry[4].value, item.value)
                entry[4].length = max(entry[4].length, until - entry[4].tick)
        if not item.width and until > gate.asked.get(item.owner, -1):
            gate.asked[item.owner] = until
            self.add(Item("off", until, item.lane, gate.owner, gate.output, gate=gate))

    def _close(self, wanted: Callable[[Gate], bool]) -> list[str]:
        gates = [gate for top in self.gates.values() for gate in _chain(top)]
        gates = [gate for gate in gates if wanted(gate) and gate.sent and not gate.closed]
        for gate in gates:
            self._closed(gate)
        return [gate.output for gate in gates]

    def _closed(self, gate: Gate) -> None:
        self.changes += 1
        gate.closed = True
        if self.gates.get(gate.output) is gate:
            del self.gates[gate.output]

    def _unwind(self, output: str, gone: Callable[[Gate], bool]) -> None:
        """Takes gates out of an output's chain; what is closed goes too."""
        self.changes += 1
        kept = [g for g in _chain(self.gates[output]) if not gone(g) and not g.closed]
        for gate in _chain(self.gates[output]):
            if gate not in kept:
                gate.closed = True
        if not kept:
            del self.gates[output]
            return
        self.gates[output] = kept[0]
        for gate, before in pairwise(kept):
            gate.before = before
        kept[-1].before = None


def _chain(gate: Gate | None) -> Iterator[Gate]:
    while gate is not None:
        yield gate
        gate = gate.before
