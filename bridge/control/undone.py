"""Whether a step stands undone, as the state of the performance shows it."""

from __future__ import annotations

from collections.abc import Mapping

from bridge.control.history import Step, TextChange
from bridge.control.session import Session
from bridge.protocol.command import Command
from bridge.protocol.internal import PutBack
from bridge.protocol.performing import own_mute
from bridge.protocol.state import PlayerReport


def is_undone(step: Step, session: Session) -> bool | None:
    """Whether all that undoing the step puts back stands now.

    Args:
        step: one that can be undone or redone.
        session: with the newest state of the player.

    Returns:
        None where no state tells, as after a nudge of the clock.
    """
    found = [_stands(action, session) for action in step.undo]
    return None if None in found else all(found)


def _stands(action: Command | TextChange, session: Session) -> bool | None:
    if isinstance(action, TextChange):
        playing = session.playing
        if playing is None:
            return None
        return (playing.text, str(playing.path)) == (action.text, action.file)
    if isinstance(action, PutBack):
        return _parts_stand(action.parts, session.state)
    if not action.ROW.value:
        return None
    try:  # a value that is sent again changes nothing where it stands
        return action.inverse(session.state, {}) in ((action,), ())
    except (KeyError, IndexError):  # what it is about is not there
        return False


def _parts_stand(parts: Mapping[str, object], state: PlayerReport) -> bool:
    plain: dict[str, object] = dict(state)
    for name, part in parts.items():
        if name in ("lanes", "macros"):
            if not _members_stand(name, part, state):
                return False
        elif plain.get(name) != part:
            return False
    return True


def _members_stand(what: str, part: object, state: PlayerReport) -> bool:
    """Whether some members of lanes, or of macros, stand as a `PutBack` has them."""
    assert isinstance(part, Mapping)
    for name, wanted in part.items():
        found: dict[str, object] = {}
        if what == "lanes" and name in state["lanes"]:
            lane = state["lanes"][name]
            found = {**lane, "under": own_mute(lane)}
        elif what == "macros" and name in state["macros"]:
            found = {**state["macros"][name]}
        if any(found.get(member) != value for member, value in wanted.items()):
            return False
    return True
