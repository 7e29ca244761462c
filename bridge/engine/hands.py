"""What each command does to a player. Mutes, macros, settings and sections are the performance's
own business; here is what touches the song clock, the ports and the renderer."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bridge.engine.messages import check_command
from bridge.engine.start import NS_PER_MS
from bridge.errors import CommandError
from bridge.voltage.calibration import Correction

if TYPE_CHECKING:
    from bridge.engine.core import Player

MOST_OFFSET_MS = 100
PROCESS_WORDS = ("quit", "listen", "feedback", "input")


def offset_of(ms: float) -> int:
    """Tenths of a millisecond, in ns."""
    return round(ms * 10) * (NS_PER_MS // 10)


def execute(player: Player, command: dict[str, Any], now: int) -> None:
    """Does one command whole, or raises CommandError and does nothing."""
    check_command(command)
    do, song = command["do"], player.song
    if do == "start":
        player.carry_out(song.start(now), now)
    elif do == "stop":
        player.carry_out(song.stop(now), now)
    elif do == "continue":
        player.carry_out(song.go_on(now), now)
    elif do == "position":
        player.carry_out(song.locate(command["tick"], now), now)
    elif do == "offset":
        _offset(player, command["ms"], now)
    elif do == "nudge":
        player.carry_out(song.nudge(command["ms"], now), now)
    elif do == "tap":
        bpm = song.tap(now)
        if bpm is not None:
            player.perform({"do": "tempo", "bpm": round(bpm, 1)}, now)
    elif do == "take-clock":
        player.carry_out(song.take(now), now)
        player.keep_tempo()
    elif do == "follow":
        player.carry_out(song.follow(command["source"], now), now)
        player.keep_tempo()
    elif do == "try":
        player.sender.try_output(
            command["output"], command["action"], command["value"], now, command.get("ms") or 0.0
        )
    elif do == "correct":
        _correct(player, command["output"], command.get("correction"), now)
    elif do == "reset":
        if command["lane"] not in player.part.score.positions:
            raise CommandError(f"there is no lane {command['lane']!r}", "unknown")
        player.part.renderer.reset(command["lane"])
    elif do == "tempo" and song.following:
        raise CommandError(f"the tempo is that of {song.source}", "state")
    elif do in PROCESS_WORDS:
        raise CommandError(f"{do!r} is for the process that owns the ports", "state")
    else:
        player.perform(command, now)


def _offset(player: Player, ms: float, now: int) -> None:
    if abs(ms) > MOST_OFFSET_MS:
        raise CommandError(f"the offset is from -{MOST_OFFSET_MS} to {MOST_OFFSET_MS} ms")
    player.offset_ns = offset_of(ms)
    player.outputs.line_ns = now
    player.timeline.rebind()


def _correct(player: Player, output: str, given: dict[str, Any] | None, now: int) -> None:
    """Another correction of a tuned output, or none; while playing, heard at once."""
    correction = None
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


def release_holds(player: Player, now: int) -> None:
    """Whoever passed fingers on to the player is gone: nothing is held any more."""
    held = player.performance.at(player.part.rendered).holds.values()
    for client in {client for clients in held for client in clients}:
        player.perform({"do": "release", "client": client}, now)


def mute_derived(player: Player, now: int) -> None:
    """Every derived lane out: the safe way to begin after repeated crashes."""
    for lane in player.part.score.lanes:
        if lane.kind == "logic":
            player.perform({"do": "mute", "lane": lane.name, "muted": True, "when": "now"}, now)
    player.warn("started with derived lanes muted, after repeated failures")
