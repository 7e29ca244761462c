"""Where the song is now, between the few states that say so."""

from __future__ import annotations

from bridge.music.model import TICKS_PER_QUARTER
from bridge.music.ticks import TICKS_PER_WHOLE, position
from bridge.protocol.state import PlayerReport


def tick_at(state: PlayerReport, now_ms: float) -> float:
    """The position in ticks: it moves on in the tempo of the state while that is running.

    Args:
        state: of a player that has told its transport.
        now_ms: ms of the player's monotonic clock (one for the machine); before the time of the
            state it does not move.
    """
    transport = state["transport"]
    tick = float(transport["tick"])
    if transport["state"] != "running":
        return tick
    passed = max(0.0, now_ms - float(transport["at_ms"]))
    return tick + passed * float(transport["tempo"]) * TICKS_PER_QUARTER / 60_000


def bar_ticks(state: PlayerReport) -> tuple[int, int]:
    """Ticks of a bar and of a beat, by the set's meter (4/4 when the state does not say)."""
    beats, unit = state.get("meter", (4, 4))
    beat = TICKS_PER_WHOLE // int(unit)
    return beat * beats, beat


def bar_and_beat(state: PlayerReport, tick: float) -> tuple[int, int]:
    """Bar and beat of a tick, both counted from 1.

    Args:
        state: gives the meter; 4/4 when it does not say.
        tick: from the begin of the song.
    """
    beats, unit = state.get("meter", (4, 4))
    at = position(int(tick), (int(beats), int(unit)))
    return at.bar, at.beat
