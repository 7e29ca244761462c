"""Command dispatch: what each command does to a player.

Mutes, macros, settings and sections are the performance's own business; here is what touches the
song clock, the ports and the renderer.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from bridge.errors import CommandError
from bridge.music.commands import known
from bridge.protocol import internal, performing, running
from bridge.protocol.command import Command
from bridge.voltage.calibration import Correction
from bridge.voltage.rig_parts import NS_PER_MS

if TYPE_CHECKING:
    from bridge.player.core import Player


def offset_ns_of(ms: float) -> int:
    """Tenths of a millisecond, in ns."""
    return round(ms * 10) * (NS_PER_MS // 10)


def dispatch(player: Player, command: Command, now: int, client: str = "") -> None:
    """Does one command whole, or raises CommandError and does nothing."""
    handler = HANDLERS.get(type(command))
    if handler is not None:
        handler(player, command, now)
    else:
        player.perform(command, now, client)


def _start(player: Player, command: running.Start, now: int) -> None:
    player.carry_out(player.song.start(now), now)


def _stop(player: Player, command: running.Stop, now: int) -> None:
    player.carry_out(player.song.stop(now), now)


def _continue(player: Player, command: running.Continue, now: int) -> None:
    player.carry_out(player.song.go_on(now), now)


def _position(player: Player, command: running.SetPosition, now: int) -> None:
    player.carry_out(player.song.locate(command.tick, now), now)


def _nudge(player: Player, command: running.Nudge, now: int) -> None:
    player.carry_out(player.song.nudge(command.ms, now), now)


def _tap(player: Player, command: running.Tap, now: int) -> None:
    bpm = player.song.tap(now)
    if bpm is not None:
        player.perform(running.SetTempo(bpm=round(bpm, 1)), now)


def _tempo(player: Player, command: running.SetTempo, now: int) -> None:
    if player.song.following:
        raise CommandError(f"the tempo is that of {player.song.source}", "state")
    player.perform(command, now)


def _take_clock(player: Player, command: running.TakeClock, now: int) -> None:
    player.carry_out(player.song.take(now), now)
    player.keep_tempo()


def _follow(player: Player, command: running.Follow, now: int) -> None:
    player.carry_out(player.song.follow(command.source, now), now)
    player.keep_tempo()


def _try(player: Player, command: running.TryOutput, now: int) -> None:
    player.sender.try_output(command.output, command.action, command.value, now, command.ms or 0.0)


def _reset(player: Player, command: performing.ResetLane, now: int) -> None:
    player.part.renderer.reset(known("lane", command.lane, player.part.score.positions))


def _offset(player: Player, command: running.SetOffset, now: int) -> None:
    player.offset_ns = offset_ns_of(command.ms)
    player.outputs.line_ns = now
    player.timeline.rebind()


def _correct(player: Player, command: internal.Correct, now: int) -> None:
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


def _of_process(player: Player, command: Command, now: int) -> None:
    raise CommandError(f"{command.ROW.do!r} is for the process that owns the ports", "state")


HANDLERS: Mapping[type[Command], Callable[[Player, Any, int], None]] = {
    running.Start: _start,
    running.Stop: _stop,
    running.Continue: _continue,
    running.SetPosition: _position,
    running.SetTempo: _tempo,
    running.Tap: _tap,
    running.Nudge: _nudge,
    running.SetOffset: _offset,
    running.TakeClock: _take_clock,
    running.Follow: _follow,
    running.TryOutput: _try,
    performing.ResetLane: _reset,
    internal.Correct: _correct,
    internal.Listen: _of_process,
    internal.SendFeedback: _of_process,
    internal.TakeInput: _of_process,
    internal.Quit: _of_process,
}


def release_holds(player: Player, now: int) -> None:
    """Whoever passed fingers on to the player is gone: nothing is held any more."""
    held = player.performance.at(player.part.rendered).holds.values()
    for client in {client for clients in held for client in clients}:
        player.perform(performing.Release(), now, client)


def mute_derived(player: Player, now: int) -> None:
    """Every derived lane out: the safe way to begin after repeated crashes."""
    for lane in player.part.score.lanes:
        if lane.kind == "logic":
            player.perform(performing.Mute(lane=lane.name, muted=True), now)
    player.warn("started with derived lanes muted, after repeated failures")
