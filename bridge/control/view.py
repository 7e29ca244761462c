"""The state as surfaces see it: the player's, with what the service knows beside it.

The types stand in `bridge.protocol.state`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from bridge.control.position import bar_and_beat, tick_at
from bridge.control.session import Session
from bridge.errors import PlayerError
from bridge.protocol.command import described_limits
from bridge.protocol.state import (
    AlignState,
    ClockState,
    ControllerState,
    LearningState,
    LinksState,
    PlayerReport,
    ProcessState,
    SoundcheckState,
    State,
    TransportState,
    TuningState,
)

SLOW_S = 0.5  # figures that nobody plays by (lateness, jitter) reach the pages this often
LIMITS = described_limits()


def merge_patch(old: Mapping[str, object], new: Mapping[str, object]) -> dict[str, object]:
    """The JSON Merge Patch (RFC 7396) that turns `old` into `new`; {} when they are equal.

    Args:
        old: what the other side has. A member that is the same object in both is not looked into.
        new: what it is to have. A member that is None here is removed by the patch: in a merge
            patch null means that.
    """
    patch: dict[str, object] = {}
    for key, value in new.items():
        was = old.get(key)
        if was is value:
            continue
        if isinstance(value, dict) and isinstance(was, dict):
            inner = merge_patch(was, value)
            if inner:
                patch[key] = inner
        elif was != value:
            patch[key] = value
    for key in old:
        if key not in new and old[key] is not None:
            patch[key] = None
    return patch


@dataclass(frozen=True, slots=True)
class Additions:
    """What the rooms above this one add to the state; each is asked every time."""

    links: Callable[[], LinksState]
    controllers: Callable[[], dict[str, ControllerState]]
    learning: Callable[[], LearningState | None]
    tuning: Callable[[], TuningState | None]
    soundcheck: Callable[[], SoundcheckState | None]
    align: Callable[[], AlignState | None]


class View:
    """Builds the full state and the calmer one that pages follow."""

    def __init__(self, session: Session, additions: Additions) -> None:
        self._session = session
        self._additions = additions
        self._calm: State | None = None
        self._slow_at = float("-inf")

    def full(self) -> State:
        """The whole state. Raises `PlayerError` before the player has said hello once."""
        session, additions = self._session, self._additions
        state = session.state
        if not state:
            raise PlayerError("the player has not started yet")
        return {
            **_one_tempo(state),
            "player": {**state["player"], "present": session.present},
            "history": session.history.summary(),
            "document": session.document,
            "links": additions.links(),
            "controllers": additions.controllers(),
            "learning": additions.learning(),
            "tuning": additions.tuning(),
            "soundcheck": additions.soundcheck(),
            "align": additions.align(),
            "note_names": session.note_names(),
            "section_note_names": session.section_note_names(),
            "limits": LIMITS,
            "moved_by": session.movers.state(),
        }

    def calm(self, now: float) -> State:
        """The state for pages, at `now` in monotonic seconds.

        Position moves at each beat only (pages run their own clock from `tick` messages), and
        figures that nobody plays by at most every `SLOW_S`.
        """
        state, kept = self.full(), self._calm
        tick = tick_at(state, now * 1000)
        bar, beat = bar_and_beat(state, tick)
        state["transport"] = {
            **state["transport"],
            "tick": int(tick),
            "bar": bar,
            "beat": beat,
            "at_ms": round(now * 1000, 2),
        }
        if kept is not None:
            if _same_beat(kept["transport"], state["transport"]):
                state["transport"] = kept["transport"]
            if now - self._slow_at < SLOW_S:
                _keep_slow(kept, state)
            else:
                self._slow_at = now
        else:
            self._slow_at = now
        # A clock that was kept may have an older tempo.
        state["clock"] = _clock(state)
        self._calm = state
        return state


def _one_tempo(state: PlayerReport) -> PlayerReport:
    """The state with the tempo that is heard wherever a tempo stands: the player says that of the
    set's sections and of its clock at other moments."""
    return {**state, "tempo": state["transport"]["tempo"], "clock": _clock(state)}


def _clock(state: PlayerReport) -> ClockState:
    tempo, clock = state["transport"]["tempo"], state["clock"]
    return clock if clock["tempo"] == tempo else {**clock, "tempo": tempo}


def _same_beat(was: TransportState, now: TransportState) -> bool:
    return (was["state"], was["bar"], was["beat"], was["tempo"]) == (
        now["state"],
        now["bar"],
        now["beat"],
        now["tempo"],
    )


def _keep_slow(kept: State, state: State) -> None:
    """Takes over from the last state the figures that nobody plays by, unless something changed
    that must be seen at once."""
    state["lateness"], state["links"] = kept["lateness"], kept["links"]
    if _urgent_of_clock(kept["clock"]) == _urgent_of_clock(state["clock"]):
        state["clock"] = kept["clock"]
    if _urgent_of_process(kept["player"]) == _urgent_of_process(state["player"]):
        state["player"] = kept["player"]


def _urgent_of_clock(clock: ClockState) -> tuple[object, ...]:
    return clock["state"], clock["source"], clock["offset_ms"]


def _urgent_of_process(player: ProcessState) -> tuple[object, ...]:
    return player["present"], player["pid"], player["restarts"]
