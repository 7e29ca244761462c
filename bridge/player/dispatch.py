"""Command dispatch: what each command does to a player.

Mutes, macros, settings and sections are the performance's own business; here is what touches the
song clock, the ports and the renderer.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

from bridge.clock.tempo import TICKS_PER_CLOCK, Anchor
from bridge.errors import CommandError
from bridge.music.handlers import known
from bridge.player.core import Done, PlayerCore
from bridge.player.messages import Swap
from bridge.protocol import internal, performing, running
from bridge.protocol.command import Command, encode
from bridge.voltage.calibration import Correction
from bridge.voltage.rig_parts import NS_PER_MS, offset_ns_of

RESUME_NS = 5_000_000
"""What is still to be done when a restarted player has found its place."""
RESUME_WALK_NS = 500_000_000
"""How long the way to that place may take."""


def _start(player: PlayerCore, command: running.Start, now: int) -> None:
    player.carry_out(player.song.start(now), now)


def _stop(player: PlayerCore, command: running.Stop, now: int) -> None:
    player.carry_out(player.song.stop(now), now)


def _continue(player: PlayerCore, command: running.Continue, now: int) -> None:
    player.carry_out(player.song.go_on(now), now)


def _position(player: PlayerCore, command: running.SetPosition, now: int) -> None:
    player.carry_out(player.song.locate(command.tick, now), now)


def _nudge(player: PlayerCore, command: running.Nudge, now: int) -> None:
    player.carry_out(player.song.nudge(command.ms, now), now)


def _tap(player: PlayerCore, command: running.Tap, now: int) -> None:
    bpm = player.song.tap(now)
    if bpm is not None:
        player.perform(running.SetTempo(bpm=round(bpm, 1)), now)


def _tempo(player: PlayerCore, command: running.SetTempo, now: int) -> None:
    if player.song.following:
        raise CommandError(f"the tempo is that of {player.song.source}", "state")
    player.perform(command, now)


def _internal_clock(player: PlayerCore, command: running.UseInternalClock, now: int) -> None:
    player.carry_out(player.song.take(now), now)
    player.keep_tempo()


def _follow(player: PlayerCore, command: running.Follow, now: int) -> None:
    player.carry_out(player.song.follow(command.source, now), now)
    player.keep_tempo()


def _try(player: PlayerCore, command: running.TryOutput, now: int) -> None:
    player.sender.try_output(command.output, command.action, command.value, now, command.ms or 0.0)


def _reset(player: PlayerCore, command: performing.ResetLane, now: int) -> None:
    player.part.reset(known("lane", command.lane, player.part.score.positions))


def _offset(player: PlayerCore, command: running.SetOffset, now: int) -> None:
    player.offset_ns = offset_ns_of(command.ms)
    player.outputs.line_ns = now
    player.timeline.rebind()


def _correct(player: PlayerCore, command: internal.Correct, now: int) -> None:
    """Another correction of a tuned output, or none; while playing, heard at once."""
    output, given, correction = command.output, command.correction, None
    if given is not None:
        rows = tuple((float(note), float(cents)) for note, cents in given.get("table", ()))
        correction = Correction(
            float(given.get("offset_volts", 0.0)),
            float(given.get("gain", 1.0)),
            rows,
            str(given.get("made", "")),
        )
    player.outputs.correct(output, correction)
    value = player.part.values().get(output) if player.song.playing else None
    if value is not None:
        player.outputs.offer(output, value, now)


def _of_process(player: PlayerCore, command: Command, now: int) -> None:
    raise CommandError(f"{command.ROW.do!r} is for the process that owns the ports", "state")


HANDLERS: Mapping[type[Command], Callable[[PlayerCore, Any, int], None]] = {
    running.Start: _start,
    running.Stop: _stop,
    running.Continue: _continue,
    running.SetPosition: _position,
    running.SetTempo: _tempo,
    running.Tap: _tap,
    running.Nudge: _nudge,
    running.SetOffset: _offset,
    running.UseInternalClock: _internal_clock,
    running.Follow: _follow,
    running.TryOutput: _try,
    performing.ResetLane: _reset,
    internal.Correct: _correct,
    internal.Listen: _of_process,
    internal.SendFeedback: _of_process,
    internal.TakeInput: _of_process,
    internal.Quit: _of_process,
}


class Player(PlayerCore):
    """A player that takes commands, and goes on when ports come and go, and after a crash."""

    def command(
        self, command: Command, now: int, done: Done | None = None, client: str = ""
    ) -> None:
        """Does a command, or refuses it whole: CommandError, or `done(error)` where one is given.
        `client` is who sent it.

        What is already on its way out (less than a millisecond) goes first; then `done` is called.
        """
        if self.staged:
            self._waiting.append((command, done, client))
        elif done is None:
            self._dispatch(command, now, client)
        else:
            self._answer(command, now, done, client)

    def _answer(self, command: Command, now: int, done: Done | None, client: str) -> None:
        # No error is kept in a variable: it would hold this frame, the frame would hold it, and
        # nobody collects such rings while the player runs.
        try:
            self._dispatch(command, now, client)
        except CommandError as error:
            if done is not None:
                done(error)
            return
        except Exception as problem:  # no command may stop the music
            self.warn(f"{command.ROW.do} failed: {problem!r}")
            if done is not None:
                done(CommandError(f"{command.ROW.do} failed: {problem!r}", "state"))
            return
        if done is not None:
            done(None)

    def _dispatch(self, command: Command, now: int, client: str) -> None:
        """Does one command whole, or raises CommandError and does nothing."""
        self._waking.disturb()
        handler, rendered = HANDLERS.get(type(command)), self.part.rendered
        if handler is not None:
            handler(self, command, now)
        else:
            self.perform(command, now, client)
        if self.tape is not None:
            self.tape.move(now, rendered, client, encode(command))

    def port_lost(self, port: str) -> None:
        """The interface is away: nothing is sent to it, and the song goes on."""
        self.outputs.lost.add(port)
        self.warn(f"{port}: the MIDI port is gone")

    def port_back(self, port: str, now: int) -> None:
        """It is there again: everything closed, present values, and no backlog."""
        self.outputs.lost.discard(port)
        self.outputs.send(self.outputs.setup(port))
        self._waking.disturb()
        if self.song.playing:
            for output, value in self.part.values().items():
                if self.outputs.port_of[output] == port:
                    self.outputs.offer(output, value, now)
        self.warn(f"{port}: the MIDI port is back")

    def resume(
        self,
        snapshot: Mapping[str, Any],
        clock: Callable[[], int],
        memory: object | None = None,
        found: Callable[[], None] = lambda: None,
    ) -> None:
        """Goes on where another player would be by now.

        Finding the place takes time in which the song goes on, so it is looked at twice.

        Args:
            snapshot: a state of that player, as `report` gives it.
            clock: what time it is, in ns.
            memory: a place that the renderer before remembered, so that the way there is short.
            found: called when the place is found, before the second look: whatever else takes time
                before the next step.
        """
        transport = snapshot["transport"]
        bpm = float(transport["tempo"])
        at = round(float(transport["at_ms"]) * NS_PER_MS)
        line = Anchor(float(transport["tick"]), at, bpm)
        playing = transport["state"] in ("running", "lost")
        tick = line.tick_at(clock()) if playing else float(transport["tick"])
        goal = -(-int(tick) // TICKS_PER_CLOCK) * TICKS_PER_CLOCK
        self.performance.locate(goal)
        self.performance.restore(snapshot, goal)
        try:
            self.part.recall(memory, goal, RESUME_WALK_NS)
        except ValueError:
            self.part.seek(goal, RESUME_WALK_NS)
        self._bpm = self.performance.tempo
        found()
        now = clock()
        if playing:
            now += RESUME_NS
            tick = line.tick_at(now)
            goal = math.ceil(tick / TICKS_PER_CLOCK) * TICKS_PER_CLOCK
            self.part.skip(max(goal, self.part.rendered))
        self.offset_ns = offset_ns_of(float(snapshot["clock"]["offset_ms"]))
        self.outputs.line_ns = now
        self.standing.take(self.part.values())
        self.carry_out(self.song.resume(tick, bpm, now, str(transport["state"])), now)

    def overrun(self, count: int) -> None:
        """More came in than could be read."""
        self.sender.close_gates()
        self.warn(f"{count} incoming messages were dropped; gates were closed")


def load(player: PlayerCore, swap: Swap, now: int) -> None:
    """
    Puts a player that stands where another one was: the set, all that was set, and the place.

    Raises:
        CommandError: it plays or follows another clock, or that is no place; nothing is changed.
    """
    place = swap.place
    assert place is not None
    if player.song.playing:
        raise CommandError("the song plays; stop it first", "state")
    if player.song.following:
        source = player.song.source
        raise CommandError(f"the song follows {source}; use the internal clock first", "state")
    player.part.load(swap.score, swap.revision, place.state, place.tick, place.renderer)
    player.carry_out(player.song.locate(place.tick, now), now)
    player.keep_up(place.tick)


def let_go(player: PlayerCore, now: int) -> None:
    """Whoever passed fingers on to the player is gone: nothing is held any more, and what was tried
    on an output goes back to what is played, or to rest."""
    playing = player.part.values() if player.song.playing else {}
    player.sender.end_trials(playing, now)
    live = player.performance.at(player.part.rendered)
    held = {client for clients in live.holds.values() for client in clients}
    for client in held | {client for client, _ in live.fills}:
        player.perform(performing.Release(), now, client)


def mute_derived(player: PlayerCore, now: int) -> None:
    """Every derived lane out: the safe way to begin after repeated crashes."""
    for lane in player.part.score.lanes:
        if lane.kind == "logic":
            player.perform(performing.Mute(lane=lane.name, muted=True), now)
    player.warn("started with derived lanes muted, after repeated failures")
