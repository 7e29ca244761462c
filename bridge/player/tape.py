"""What a take is made of, collected where it happens: messages, hits and values, moves, tempo.

The tape runs from the begin of the song to its stop. It only gathers rows in memory; once in a
while they are handed on as one batch (`Tape.batch`), for a process that writes files. Nothing here
waits or grows without end: what nobody fetches in time is dropped and counted.

A row of `sent` is (tick, due ns, how many ns later it left, port, bytes, owner). The tick is that
of its deadline, with its fraction; the owner is the lane or the macro that it came from, "" for
what belongs to none. What left at once (a gate that a mute closes) is due when it left, and its
lateness is `AT_ONCE`. A value that had waited for its turn is due when that came, and its lateness
is None. A row of `events` is (tick, due ns, owner, kind, value, length, output).

`marks` are objects with ``is``, ``ns`` and ``tick``: begin, jump, stop, finish, end, line (the
tempo), move, swap, turn (of a value that needed no message), says, tempo (one that a followed clock
brought), stands (where everything stood: see `bridge.player.part.Part.stands`; with ``joins`` where
what had fallen in at a far place gave way to what stands there exactly). Those of moves say
how many messages of the take had left before (``after``), and up to which deadline they were made
ready (``staged``). `plays` of a batch is the revision that played when it was closed: none before
is heard of again.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from bridge.clock.tempo import Anchor
from bridge.player.frames import rows_of
from bridge.player.messages import Swap
from bridge.protocol.running import Continue, Follow, SetPosition, Start, Stop, UseInternalClock

MOST_ROWS = 20_000
"""Rows that wait for somebody to fetch them: a minute of dense playing, some 4 MB."""
MOST_MARKS = 2_000
MOST_BATCHES = 16
"""Takes that were begun and ended while nobody fetched anything."""
REALTIME = 0xF8
"""From this status on: messages that are no channel's (MIDI 1.0, table 5)."""
AT_ONCE = -1
"""In place of its lateness: a message without a deadline. None leaves before its deadline."""
GATHER_NS = 200_000_000
GATHER_ROWS = 500
"""A batch is made so often, or when so many rows wait."""
LINE_EVERY_TICKS = 960
OTHER_TEMPO = 0.001
"""A followed clock moves the line at each pulse; only what changes the tempo that much is noted,
and one line each quarter note."""

MARKS = 2
"""What the marks of a take tell. 1: no places, and nothing of the tempo of a followed clock."""
STAND_NS = 1_000_000_000
"""Where everything stands is some kilobytes: it is noted so often at most."""

NO_CHANGES = ("line", "says", "turn", "stands")
PLACES = {kind.ROW.do for kind in (Start, Stop, Continue, SetPosition, Follow, UseInternalClock)}

Row = tuple[float, int, int | None, str, bytes, str]
Event = tuple[int, int, str, str, float, int, str | None]


class Tape:
    """Collects the rows of one take after the other. `tick_at` is where the song is at a time;
    `origin` says what the set that plays was made of, `plays` its revision at any moment."""

    def __init__(
        self,
        tick_at: Callable[[int], float],
        origin: Mapping[str, object],
        plays: Callable[[], int],
    ) -> None:
        self.running = False
        self.origin = origin
        self.lost = 0
        """Rows that were dropped since the last batch."""
        self.count = 0
        """Messages of this take so far, those of MIDI clock left out."""
        self.staged = 0
        """The newest deadline for which messages were made ready."""
        self.changes = 0
        """Counts what was marked that may change how things stand."""
        self._tick_at = tick_at
        self._plays = plays
        self._sent: list[Row] = []
        self._events: list[Event] = []
        self._marks: list[dict[str, object]] = []
        self._closed: deque[dict[str, object]] = deque()
        self._line: Anchor | None = None
        self._next_ns = 0
        self._next_stand = 0

    # --- from the player --------------------------------------------------------------------------

    def begin(
        self, now: int, at: int, tick: int, facts: Callable[[], Mapping[str, object]]
    ) -> None:
        """The song begins at `tick`, which falls at `at`. `facts` gives what another player would
        need to begin the same way; it is asked only where a take begins."""
        if self.running:
            self._mark({"is": "jump", "ns": now, "tick": tick, "at": at})
        else:
            self._close_batch()
            self.running, self._line, self.count, self._next_stand = True, None, 0, 0
            more = {"at": at, "origin": dict(self.origin), "marks": MARKS, **facts()}
            self._mark({"is": "begin", "ns": now, "tick": tick, **more})

    def stopping(self, now: int, rendered: int, how: str) -> None:
        """The song is about to stop, by a hand (``stop``) or with the program (``finish``)."""
        self.note(now, how, rendered=rendered, after=self.count, staged=self.staged)

    def end(self, now: int) -> None:
        """The song has stopped, and what closes its gates has been sent."""
        if self.running:
            self.note(now, "end")
            self.running = False

    def line(self, *pieces: Anchor) -> None:
        """The line from ticks to time is another one."""
        if not self.running:
            return
        for piece in pieces:
            last = self._line
            if last is not None and _same(last, piece):
                continue
            self._line = piece
            self._mark({"is": "line", "ns": piece.ns, "tick": piece.tick, "bpm": piece.bpm})

    def sent(
        self, due: int | None, rows: Iterable[tuple[int, str, bytes, str]], turn: int | None = None
    ) -> None:
        """Messages that have left: rows of ns, port, bytes and owner. They had one deadline, or
        their turn came at `turn`, or they left at once."""
        if not self.running:
            return
        known = turn if due is None else due
        tick = 0.0 if known is None else self._tick_at(known)
        for ns, port, data, owner in rows:
            self.count += data[0] < REALTIME
            if known is None:
                self._sent.append((self._tick_at(ns), ns, AT_ONCE, port, data, owner))
            else:
                late = None if due is None else ns - due
                self._sent.append((tick, known, late, port, data, owner))
        if len(self._sent) > MOST_ROWS:
            self.lost += len(self._sent) - MOST_ROWS
            del self._sent[:-MOST_ROWS]

    def event(self, event: Event) -> None:
        """A hit or a value of a lane, as the score has it."""
        if not self.running:
            return
        self._events.append(event)
        if len(self._events) > MOST_ROWS:
            self.lost += len(self._events) - MOST_ROWS
            del self._events[:-MOST_ROWS]

    def move(self, now: int, rendered: int, client: str, command: Mapping[str, object]) -> None:
        """A command that was done when the song was rendered up to a tick."""
        self.note(
            now,
            "move",
            rendered=rendered,
            client=client,
            command=command,
            after=self.count,
            staged=self.staged,
        )

    def swap(self, now: int, rendered: int, swap: Swap) -> None:
        """Another set was handed in."""
        self.origin = {"revision": swap.revision, "text": swap.text, "file": swap.file}
        self.note(
            now,
            "swap",
            rendered=rendered,
            when=swap.when,
            renamed=swap.renamed,
            parts=swap.parts,
            origin=self.origin,
            after=self.count,
            staged=self.staged,
        )

    def turn(self, now: int) -> None:
        """A value had its turn and stands there already, so that nothing was sent."""
        self.note(now, "turn", after=self.count)

    def stands(self, now: int, facts: Callable[[], Mapping[str, object]]) -> bool:
        """Where everything stands, for a take to be played again from there; `facts` is asked only
        where that is noted. Gives whether it was."""
        told = self.running and now >= self._next_stand
        if told:
            self._next_stand = now + STAND_NS
            self.note(now, "stands", **facts())
        return told

    def joins(self, now: int, facts: Mapping[str, object]) -> None:
        """The exact way to a far place has taken over, and stands there (see
        `bridge.player.catchup`)."""
        self._next_stand = now + STAND_NS
        more = {**facts, "joins": True, "after": self.count, "staged": self.staged}
        self.note(now, "stands", **more)

    def note(self, now: int, what: str, **more: object) -> None:
        """Anything else that happened."""
        if self.running:
            self._mark({"is": what, "ns": now, "tick": self._tick_at(now), **more})

    def _mark(self, mark: dict[str, object]) -> None:
        self.changes += mark["is"] not in NO_CHANGES and not only_places(mark)
        self._marks.append(mark)
        if len(self._marks) > MOST_MARKS:
            # The begin stays: without it the rest could not be read.
            keep = [mark for mark in self._marks[: -MOST_MARKS // 2] if mark["is"] == "begin"]
            dropped = len(self._marks) - MOST_MARKS // 2 - len(keep)
            self._marks[: -MOST_MARKS // 2] = keep
            self.lost += dropped

    # --- to whoever writes ----------------------------------------------------------------------

    def batch(self, now: int, whole: bool = False) -> dict[str, Any] | None:
        """What has been collected, at most five times a second; None when there is nothing, or it
        is too soon. `whole`: all of it now."""
        if not self._closed:
            rows = len(self._sent) + len(self._events)
            if not rows and not self._marks:
                return None
            if not whole and now < self._next_ns and rows < GATHER_ROWS:
                return None
            self._close_batch()
        self._next_ns = now + GATHER_NS
        return self._closed.popleft()

    def _close_batch(self) -> None:
        """What comes now belongs to another batch. One batch has rows of one take only."""
        if not self._sent and not self._events and not self._marks and not self.lost:
            return
        made = {
            "do": "take",
            "sent": self._sent,
            "events": self._events,
            "marks": self._marks,
            "lost": self.lost,
            "plays": self._plays(),
        }
        self._sent, self._events, self._marks, self.lost = [], [], [], 0
        self._closed.append(made)
        if len(self._closed) > MOST_BATCHES:
            self.lost += rows_of(self._closed.popleft())


def only_places(mark: Mapping[str, Any]) -> bool:
    """Whether it is a move that changes only where and by whose clock the song goes."""
    return mark["is"] == "move" and mark["command"].get("do") in PLACES


def _same(last: Anchor, piece: Anchor) -> bool:
    if last == piece:
        return True
    near = abs(piece.bpm / last.bpm - 1) < OTHER_TEMPO
    return near and isinstance(piece.tick, float) and 0 <= piece.tick - last.tick < LINE_EVERY_TICKS
