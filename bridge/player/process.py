"""The player process: ``python -m bridge.player``, its start on standard input.

It owns every MIDI port. Its loop waits for one thing at a time: the next deadline, a command on the
socket, a MIDI message, a signal. Nothing else is read or written in it: no files, no log, no
network. Work that can wait (state for the readers, a new score, looking after ports) is done where
the next deadline leaves room.

On SIGTERM or SIGINT, or when its parent dies: every open gate gets its note-off at once, then
controllers 123 and 120, bend centred, values at rest; ports stay open for a moment, because some
systems lose what was sent just before closing. When its parent has died (`ORPHANED`), that is said
for a second. Exit 0.

A port that is not there is waited for, at the start as later: the song goes on without it.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import select
import signal
import sys
import time
from dataclasses import replace
from typing import TYPE_CHECKING

from bridge.clock.source import INTERNAL
from bridge.errors import CommandError, PortError
from bridge.music.score import Score
from bridge.player import realtime
from bridge.player.closing import Closing, Said
from bridge.player.core import Done
from bridge.player.dispatch import Player, let_go, load, mute_derived
from bridge.player.feedback import Feedback
from bridge.player.frames import EVENTS, INPUT, MEMORY, NOTES, SCORE, SENT, pack_kept
from bridge.player.inbox import Inbox
from bridge.player.lateness import Alarm
from bridge.player.messages import Swap
from bridge.player.missing import Missing
from bridge.player.pace import Longest
from bridge.player.report import Report
from bridge.player.sending import STAGE_NS
from bridge.player.server import Link
from bridge.player.start import Start, read_start
from bridge.player.sweep import Sweeper
from bridge.player.wake import Wake
from bridge.player.yielding import Yielding
from bridge.ports import OutPort, open_output
from bridge.protocol import running
from bridge.protocol.command import Command
from bridge.protocol.internal import Listen, Quit, SendFeedback, TakeInput
from bridge.voltage.message import is_note

if TYPE_CHECKING:
    from bridge.protocol.state import PortState, ProcessAbout

SPIN_NS = 60_000
"""The last part of a wait is spent looking at the clock: waking takes about this long."""
SELECT_EARLY_NS = 40_000
SLEEP_AGAIN_NS = 150_000
"""What is ready and leaves sooner is waited for awake: to sleep and wake takes about as long."""
ROOM_NS = 3_000_000
PATIENCE_NS = 200_000_000
"""Work that waits for room is done without it after this long."""
PORTS_EVERY_NS = 1_000_000_000
STILL_NS = 330_000_000
"""While nothing is played and nobody gives a command, changes are looked for this often."""
FRAME_WAITS_NS = 12_000_000
"""What readers are told waits so long for a moment at which the player is awake anyway."""
HEAR_NS = 6_000_000
"""What controllers send is passed on this often at most: a finger is on them."""
DRAIN_S = 0.06
CLOSE_AGAIN_NS = 1_500_000_000
"""Closing is repeated for so long when nobody else can do it."""
ORPHANED = signal.SIGUSR1
"""What the system sends us when our parent has died. Not SIGTERM, by which the parent itself asks
us to end, and `os.getppid` does not tell the two apart: the signal comes when the parent's first
thread has ended, the number changes after its last one, seconds later on a busy machine."""

_now = time.monotonic_ns


class Process:
    """The player with its ports, its socket and its loop."""

    def __init__(self, start: Start) -> None:
        self.start = start
        self.stopping = False
        self.orphaned = False
        self.inbox = Inbox()
        self.feedback = Feedback()
        self.ports: dict[str, OutPort] = {}
        self._lost: set[str] = set()
        self._ports_at = 0
        self._hear_at = 0
        self._waited_since = self._between_at = self._told_at = 0
        self._yielding = Yielding()
        self._swapping = Longest(ROOM_NS // 2)
        self._work_at = self._next_at = 0
        """While the song plays and nothing comes in, work may be done from the first time on, and
        the player wakes for it at the second."""
        self._touched = True
        """Whether there may be something to tell that no clock says: a command, MIDI."""
        self._warnings = list(start.warnings)
        self._remembered: object | None = None
        self._read_swap: tuple[Swap | None, Done, bytes] | None = None
        self._origin = {"revision": start.revision, "text": start.text, "file": start.file}
        self._alarm = Alarm()
        self._sweeper = Sweeper(_now)
        self._open_ports()
        self.player = self._make_player()
        self.report = Report(self.player, self._about())
        self.link = Link(start.socket, self._command, self._hello)
        self.link.gone = lambda: let_go(self.player, _now())

    # --- start ----------------------------------------------------------------------------------

    def _open_ports(self) -> None:
        start = self.start
        for name, spec in start.ports.items():
            try:
                self.ports[name] = open_output(spec.text, name)
            except PortError as problem:
                self._warnings.append(f"waiting for {spec.text} (interface {name}): {problem}")
                self.ports[name] = Missing(name, spec)
                self._lost.add(name)
        inputs = dict.fromkeys(start.inputs, "controller")
        for source in (start.clock.follow, self._source()):
            if source != INTERNAL:
                inputs = {source: "clock", **inputs}
        for text, what in inputs.items():
            try:
                self.inbox.open(text)
            except PortError as problem:
                self._warnings.append(f"waiting for {text} ({what}): {problem}")
                self.inbox.want(text)
        self.inbox.overhear()

    def _source(self) -> str:
        """The clock in use: what a hand chose before a crash goes before what the rig says."""
        snapshot = self.start.snapshot
        return self.start.clock.follow if snapshot is None else str(snapshot["clock"]["source"])

    def _make_player(self) -> Player:
        start = self.start
        player = Player(
            start.score,
            start.outputs,
            self.ports,
            _now(),
            _now,
            specs=start.ports,
            timing=start.timing,
            settings=replace(start.clock, follow=self._source()),
            corrections=start.corrections,
            revision=start.revision,
        )
        for text in self._warnings:
            player.warn(text)
        self.tape = player.record(self._origin)
        player.outputs.lost |= self._lost
        return player

    def begin(self) -> None:
        """Goes on where the player before this one was, if there was one. What takes a while before
        the loop turns is done when the place is found, so that the first hit is not late for it."""
        start = self.start
        if start.snapshot is None:
            self._settle()
        else:
            self.player.resume(start.snapshot, _now, start.memory, self._settle)
        if start.safe:
            mute_derived(self.player, _now())

    def _about(self) -> ProcessAbout:
        start = self.start
        return {
            "version": start.version,
            "rig": start.rig,
            "ports": self._ports_state(),
            "inputs": self.inbox.state(),
            "player": {"pid": os.getpid(), "realtime": False, "restarts": start.restarts},
        }

    def _hello(self) -> dict[str, object]:
        """The whole state, and what the set that plays was made of."""
        return {**self.report.full(_now()), "origin": self._origin}

    def _ports_state(self) -> dict[str, PortState]:
        return {
            name: {
                "port": self._shown(name, port),
                "open": name not in self._lost,
                "waiting": isinstance(port, Missing) and not port.found,
                "link": self.start.ports[name].link,
            }
            for name, port in self.ports.items()
        }

    def _shown(self, name: str, port: OutPort) -> str:
        text = self.start.ports[name].text
        return text if text == "simulated" else port.name

    def _settle(self) -> None:
        """Asks for priority and locked memory, and sees to it that nothing of its own disturbs the
        loop. A refusal is a warning in the state."""
        priority = realtime.schedule_first()
        for refusal in (priority, realtime.lock_memory()):
            if refusal:
                self.player.warn(refusal)
        self.report.about["player"] = {**self.report.about["player"], "realtime": not priority}
        realtime.settle_interpreter()

    # --- the loop -------------------------------------------------------------------------------

    def run(self) -> None:
        player, inbox = self.player, self.inbox
        if self.start.play:
            fresh = self.start.snapshot is None
            player.command(running.Start() if fresh else running.Continue(), _now())
        while not self.stopping:
            now = _now()
            for port, stamp, data in inbox.take():
                player.midi_in(port, stamp, data, now)
                self._touched = True
            due = player.step(now)
            now = _now()
            # A player that cannot keep up still answers, and says what it does.
            if player.slack(now) > STAGE_NS or now - self._between_at > PATIENCE_NS:
                self._between_at = now
                due = min(due, self._between(now))
            self._wait(due)

    def _wait(self, due: int) -> None:
        """Until `due`, or until something comes in, unless what is due leaves within a moment."""
        left = due - _now()
        if self.player.staged:
            if left > SLEEP_AGAIN_NS:
                time.sleep((left - SPIN_NS) / 1e9)
            while _now() < due:
                pass
            return
        timeout = max(0, left - SELECT_EARLY_NS) / 1e9
        link = self.link
        first = self._yielding.waits(self.player.slack(_now()), _now())
        reading, writing = ([], []) if first else (link.reading(), link.writing())
        readable, writable, _ = select.select([self.inbox.fd, *reading], writing, [], timeout)
        if not readable and not writable:
            return
        self._touched = True
        if self.inbox.fd in readable:
            self.inbox.heard()
        if not self._yielding.waits(self.player.slack(_now()), _now()):
            self._yielding.handled()
            link.handle(readable, writable)

    def _between(self, now: int) -> int:
        """Work for which there is room now; returns when there will be more."""
        player, link = self.player, self.link
        if now < self._work_at and not self._touched and player.song.playing:
            self._waited_since = now
            return self._next_at
        self._work_at, slack = 0, player.slack(now)
        swaps = self._read_swap is not None or link.swaps
        room = slack > max(ROOM_NS, self._swapping.ns * 3 // 2 if swaps else 0)
        remembered = player.part.renderer.memory is not self._remembered
        if not self._work_waits(now, remembered):
            self._waited_since = now
            if room and self.feedback.waiting:
                self.feedback.send(now)
            return self._next_work(now)
        if not room and now - self._waited_since < PATIENCE_NS:
            # The next messages leave before there is room: awake for them, it is looked for again.
            return now + max(slack, STAGE_NS)
        self._waited_since = now
        if swaps:
            self._swap()
            self._swapping.took(_now() - now)
        elif self._sweeper.wants(player.slack(now)):
            self._sweeper.sweep()
        elif remembered:
            self._remember()
        elif now >= self._ports_at:
            self._ports_at = now + PORTS_EVERY_NS
            self._look_after_ports(now)
        else:
            self._tell(now)
        now = _now()
        if self._work_waits(now, player.part.renderer.memory is not self._remembered):
            return now + STAGE_NS
        return self._next_work(now)

    def _work_waits(self, now: int, remembered: bool) -> bool:
        link, incoming = self.link, self.player.incoming.rows
        return (
            remembered
            or now >= self._ports_at
            or self._read_swap is not None
            or link.swaps
            or (self._news and now >= link.next_ns(now))
            or now >= self._told_at + STILL_NS
            or (bool(incoming) and now >= self._hear_at)
            or self._sweeper.wants(self.player.slack(now))
            or any(reader.box.answers for reader in link.readers)
        )

    @property
    def _news(self) -> bool:
        """Whether there is something that readers would see at once. Clock bytes are no news."""
        player = self.player
        return (
            self._touched
            or self.link.untold
            or bool(player.sender.played)
            or player.song.playing
            or any(len(data) > 1 for _, _, data in player.outputs.sent)
        )

    def _next_work(self, now: int) -> int:
        times = [self._told_at + STILL_NS, self._ports_at]
        if self.player.incoming.rows:
            times.append(self._hear_at)
        if self.feedback.waiting:
            times.append(max(self.feedback.next_ns(), now + STAGE_NS))
        self._work_at = self._next_at = min(times)
        if self._news:
            news_at = self.link.next_ns(now)
            self._work_at = min(self._work_at, news_at)
            self._next_at = min(self._next_at, news_at + FRAME_WAITS_NS)
        return self._next_at

    def _tell(self, now: int) -> None:
        player, link = self.player, self.link
        self._told_at, self._touched = now, False
        hurry = bool(player.incoming.rows)
        changed = self.report.changed(now)
        if changed:
            link.state(changed)
        sent = player.outputs.sent
        played, came_in = player.sender.played, player.incoming.rows
        if played or sent or came_in:
            place = {"tick": round(player.song.place(now), 3), "t_ns": now}
            rows = [[stamp, port, data.hex()] for stamp, port, data in sent]
            notes = [row for row, (_, _, data) in zip(rows, sent, strict=True) if is_note(data[0])]
            told = {EVENTS: played[:], SENT: rows, NOTES: notes, INPUT: came_in[:]}
            link.played(place, told)
            played.clear()
            came_in.clear()
            sent.clear()
        self.link.take(self.tape, now)
        if hurry:
            self._hear_at = now + HEAR_NS
        link.deliver(now, hurry)

    def _remember(self) -> None:
        """Where another player could go on, for the supervisor to keep."""
        self._remembered = self.player.part.renderer.memory
        if self._remembered is not None:
            made = pickle.dumps(self._remembered, pickle.HIGHEST_PROTOCOL)
            self.link.keep(MEMORY, pack_kept(MEMORY, self.player.part.revision, made))

    def _swap(self) -> None:
        """Reads a score, or where one is read gets it ready to take over: each of the two is long
        enough for the room that there is."""
        if self._read_swap is None:
            self._read_swap = self.link.take_swap()
            return
        self._sweeper.swapped()
        (swap, done, payload), self._read_swap = self._read_swap, None
        try:
            if swap is None or not isinstance(swap.score, Score):  # a pickle may hold anything
                raise CommandError("a swap needs a score")
            if swap.place is not None:
                load(self.player, swap, _now())
            else:
                self.player.swap(swap.score, swap.revision, swap.when, swap.renamed, swap.parts)
        except CommandError as error:
            done(error)
        else:
            self._origin = {"revision": swap.revision, "text": swap.text, "file": swap.file}
            self.tape.swap(_now(), self.player.part.rendered, swap)
            kept = pack_kept(SCORE, swap.revision, payload, text=swap.text, file=swap.file)
            self.link.keep(SCORE, kept)
            done(None)

    def _command(self, command: Command, client: str, done: Done) -> None:
        try:
            if isinstance(command, Quit):
                self.stopping = True
            elif isinstance(command, running.Follow) and command.source != INTERNAL:
                self.inbox.open(command.source)
            elif isinstance(command, Listen | TakeInput | SendFeedback):
                self._controller(command)
                done(None)
                return
        except PortError as problem:
            done(CommandError(str(problem), "unknown"))
            return
        if not self.stopping:
            self.player.command(command, _now(), done, client)

    def _controller(self, command: Listen | TakeInput | SendFeedback) -> None:
        """Commands about the ports of MIDI controllers; ports are opened where there is room."""
        if isinstance(command, Listen):
            self.inbox.want(command.port)
            self._ports_at = 0
        elif isinstance(command, TakeInput):
            self.inbox.play(command.port, bytes.fromhex(command.data))
        elif self.feedback.offer(command.port, bytes.fromhex(command.data)):
            self._ports_at = 0

    def _look_after_ports(self, now: int) -> None:
        """Ports that went away, and those that came back. What was missed is not played later."""
        player = self.player
        late = self._alarm.look(now, player.outputs.lateness)
        if late is not None:
            player.warn(late)
        for name, port in self.ports.items():
            there = port.alive() if name not in self._lost else port.reopen()
            if not there and name not in self._lost:
                self._lost.add(name)
                player.port_lost(name)
                self.link.soon()
            elif there and name in self._lost:
                self._lost.discard(name)
                player.port_back(name, now)
                self.link.soon()
        for text in player.incoming.cut:
            self.inbox.close(text)
        self.inbox.mend()
        self.feedback.look()
        if self.inbox.dropped:
            player.overrun(self.inbox.dropped)
            self.inbox.dropped = 0
        self.report.about["ports"] = self._ports_state()
        self.report.about["inputs"] = self.inbox.state()

    # --- the end --------------------------------------------------------------------------------

    def finish(self) -> None:
        """Everything closed and at rest, explicitly; ports held a moment, then closed."""
        self.player.outputs.lost.clear()  # a port that seemed lost may be there: nothing is spared
        with contextlib.suppress(OSError):
            self.player.finish()
        self.link.take(self.tape, _now(), whole=True)
        time.sleep(DRAIN_S)
        self._close_alone()
        for port in self.ports.values():
            with contextlib.suppress(OSError):
                port.close()
        self.inbox.stop()
        self.feedback.stop()
        self.link.close()

    def _close_alone(self) -> None:
        """When whoever started us has died, nobody else closes the outputs, and its death may stall
        the MIDI system for a while: closing is repeated. (Not through new ports: a stalled server
        took up to half a minute to open one.)"""
        outputs = self.player.outputs
        closing, until = Closing(_now()), _now() + CLOSE_AGAIN_NS
        while self.orphaned and _now() < until:
            time.sleep(max(0, min(closing.next_ns, until) - _now()) / 1e9)
            said = closing.due(_now())
            with contextlib.suppress(OSError):
                if said is not Said.NOTHING:
                    outputs.send(outputs.panic() if said is Said.ALL else outputs.close_gates())


def main() -> int:
    """Plays a start that comes on standard input until it is ended; the exit code."""
    realtime.die_with_parent()
    try:
        start = read_start(sys.stdin.buffer)
    except EOFError:
        return 1  # whoever starts us has gone
    if not realtime.die_with_parent(ORPHANED, start.parent):
        return 1
    process = Process(start)

    def stop(*_: object) -> None:
        process.stopping = True

    def orphan(*_: object) -> None:
        process.orphaned = process.stopping = True

    signal.signal(ORPHANED, orphan)
    signal.signal(signal.SIGTERM, stop)
    signal.signal(signal.SIGINT, stop)
    # A signal also makes something readable, so that a wait ends at once.
    wake = Wake()
    process.link.wake = wake.fd
    signal.set_wakeup_fd(wake.write_fd, warn_on_full_buffer=False)
    process.begin()
    print("ready", flush=True)
    try:
        process.run()
    finally:
        process.finish()
    return 0
