"""The state as surfaces see it: the player's, with what the service knows beside it.

Members the service adds: `history` (undo and redo, see `History.summary`), `document` (`file`,
`saved`), `player.present` (false while the player is away; the rest is then its last state) and
`links`: `pages` connected, `dropped` because they did not read, OSC `subscribers`, `osc` (what
became of the messages that arrived, by word), `forbidden` (requests that were not let in),
`too_many` (commands beyond a client's budget), `lost` (OSC datagrams that the kernel dropped),
`echoing` (hosts that send our feedback back) and `turned_away` (HTTP connections, by reason).
Further ones come from `more`: `controllers`, `learning`, `tuning`, `soundcheck`, `note_names`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from bridge.control.door import Control
from bridge.control.link import PlayerLink
from bridge.control.position import bar_and_beat, place
from bridge.errors import PlayerError

SLOW_S = 0.5  # figures that nobody plays by (lateness, jitter) reach the pages this often
_SLOW = ("lateness", "clock", "ports", "player", "links")


def merge_patch(old: Mapping[str, Any], new: Mapping[str, Any]) -> dict[str, Any]:
    """The JSON Merge Patch (RFC 7396) that turns `old` into `new`; {} when they are equal.

    A member that is None in `new` is removed by the patch: in a merge patch null means that.
    Members that are the same object in both are not looked into.
    """
    patch: dict[str, Any] = {}
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


class View:
    """Builds the full state and the calmer one that pages follow."""

    def __init__(self, link: PlayerLink, control: Control) -> None:
        self._link = link
        self._control = control
        self.document: dict[str, Any] = {"file": "", "saved": True}
        self.links: Callable[[], dict[str, Any]] = dict
        self.more: dict[str, Callable[[], Any]] = {}
        self._calm: dict[str, Any] = {}
        self._slow_at = float("-inf")

    def full(self) -> dict[str, Any]:
        """The whole state. Raises `PlayerError` before the player has said hello once."""
        state = self._link.state
        if not state:
            raise PlayerError("the player has not started yet")
        return {
            **_one_tempo(state),
            "player": {**state["player"], "present": self._link.present},
            "history": self._control.history.summary(),
            "document": self.document,
            "links": self.links(),
            **{name: value() for name, value in self.more.items()},
        }

    def calm(self, now: float) -> dict[str, Any]:
        """The state for pages, at `now` in monotonic seconds.

        Position moves at each beat only (pages run their own clock from `tick` messages), and
        figures that nobody plays by at most every `SLOW_S`.
        """
        state, kept = self.full(), self._calm
        tick = place(state, now * 1000)
        bar, beat = bar_and_beat(state, tick)
        transport = {
            **state["transport"],
            "tick": int(tick),
            "bar": bar,
            "beat": beat,
            "at_ms": round(now * 1000, 2),
        }
        was = kept.get("transport", {})
        same = all(was.get(k) == transport[k] for k in ("state", "bar", "beat", "tempo"))
        state["transport"] = was if same else transport
        if now - self._slow_at >= SLOW_S:
            self._slow_at = now
        else:
            for key in _SLOW:
                if key in kept and key in state and _steady(key, kept[key], state[key]):
                    state[key] = kept[key]
        self._calm = state = _one_tempo(state)
        return state


def _one_tempo(state: Mapping[str, Any]) -> dict[str, Any]:
    """The state with the tempo that is heard wherever a tempo stands: the player says that of the
    set's sections and of its clock at other moments."""
    tempo, clock = state["transport"]["tempo"], state["clock"]
    if state.get("tempo") == tempo and clock.get("tempo") == tempo:
        return dict(state)
    return {**state, "tempo": tempo, "clock": {**clock, "tempo": tempo}}


def _steady(key: str, was: Any, value: Any) -> bool:
    """Whether nothing changed in `value` that a player must see at once."""
    watched = {
        "clock": ("state", "source", "offset_ms"),
        "player": ("present", "pid", "restarts"),
    }.get(key)
    if key in ("lateness", "links"):
        return True
    if watched is None:
        return bool(was == value)
    return all(was.get(k) == value.get(k) for k in watched)
