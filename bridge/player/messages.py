"""What passes between the player and everybody else: frames, commands, state.

A frame is a big-endian length of four bytes (of what follows), one byte for the kind, and the
payload: ``J`` a JSON object in UTF-8, ``P`` a pickle (a compiled score; only ever on the private
socket in the runtime folder, whose other end runs as the same user).

Commands are JSON objects with a ``do`` (see `bridge.protocol.command`). An optional whole number
``seq`` comes back in the next state, in ``acks`` or in ``refused`` as
``[seq, kind, message]``. The player sends ``hello`` with the whole state on connection, then
``state`` with the top-level keys that changed, and ``played`` with what has sounded (``events``),
what has left (``sent``; note-ons and note-offs alone: ``notes``) and what has come in (``input``).
Who asks for ``frames`` each so many ``ms`` is told of what nobody waits for as seldom as that, and
of these lists only those that it names under ``what``: to write what nobody reads costs the player
time. It never waits for a slow reader: what cannot be delivered is merged, so that the newest state
wins.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from bridge.music.score import Score
from bridge.player.frames import LISTS, pack_json

# --- a set that takes over ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Place:
    """A place that a song was at: its tick, the whole state of the performance, and where the
    renderer stood (`bridge.music.render.Renderer.place`)."""

    tick: int
    state: Mapping[str, Any]
    renderer: object


@dataclass(frozen=True, slots=True)
class Swap:
    """A compiled score that takes over at the next step, beat or bar; sent as a pickle.

    `text` and `file` are what it was made of. `renamed` maps old names to new ones, under
    ``lanes``, ``macros`` and ``sections``; `parts` of a performance are put back with it (both as
    in `bridge.music.snapshot`). `seq` as with any command. `place`: the player, which must be
    stopped, is put there exactly; `when`, `renamed` and `parts` say nothing then.
    """

    score: Score
    revision: int
    when: str = "bar"
    text: str = ""
    file: str = ""
    renamed: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    parts: Mapping[str, object] = field(default_factory=dict)
    seq: int | None = None
    place: Place | None = None


# --- state, on its way to one reader ------------------------------------------------------------


class Outbox:
    """What one reader has still to get: at most one state (newer keys replace older ones), the
    answers to its commands, and the latest events of the lists that it wants. All of it is
    bounded."""

    MOST_EVENTS = 512
    MOST_ANSWERS = 1024

    def __init__(self) -> None:
        self.wants = LISTS
        self._state: dict[str, object] = {}
        self._events: dict[str, list[object]] = {}
        self._now: dict[str, object] = {}
        self._acks: list[int] = []
        self._refused: list[list[object]] = []

    def state(self, changed: Mapping[str, object]) -> None:
        """Top-level keys of the state that changed."""
        self._state.update(changed)

    def played(self, now: Mapping[str, object], lists: Mapping[str, Sequence[object]]) -> None:
        """Rows by the name of their list (of `LISTS`), and where the song is now."""
        for name, rows in lists.items():
            if not rows or name not in self.wants:
                continue
            self._now = dict(now)
            kept = self._events.setdefault(name, [])
            kept += rows
            del kept[: -self.MOST_EVENTS]

    def ack(self, seq: int) -> None:
        self._acks.append(seq)
        del self._acks[: -self.MOST_ANSWERS]

    def refuse(self, seq: int, kind: str, message: str) -> None:
        self._refused.append([seq, kind, message])
        del self._refused[: -self.MOST_ANSWERS]

    @property
    def answers(self) -> bool:
        """Whether somebody waits for an answer."""
        return bool(self._acks or self._refused)

    def take(self) -> list[bytes]:
        """The frames to send now; the outbox is empty afterwards."""
        frames: list[bytes] = []
        if self._state or self._acks or self._refused:
            message: dict[str, object] = {"type": "state", **self._state}
            if self._acks:
                message["acks"] = self._acks
            if self._refused:
                message["refused"] = self._refused
            frames.append(pack_json(message))
        if self._now:
            frames.append(pack_json({"type": "played", "events": [], **self._events, **self._now}))
        self._state, self._events, self._now, self._acks, self._refused = {}, {}, {}, [], []
        return frames
