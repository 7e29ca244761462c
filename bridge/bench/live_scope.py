"""Volts of every output as they are, decoded from the bytes that the player has sent.

The bytes are read by what the profiles say they mean (`bridge.voltage.decode`) and not from what
the set intended. While nobody looks, what a later byte makes void is not decoded (`Unread`); the
rest is, for what a byte means depends on those before it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from bridge.control.session import Session
from bridge.control.stream import Played, PresenceChanged, RigChanged, VoltsChanged
from bridge.files.rig import Rig
from bridge.voltage.decode import Decoder
from bridge.voltage.encode import Encoder

STEERING = frozenset((6, 38, *range(96, 102), *range(120, 128)))
"""Controllers that steer how others are read (data entry and parameter numbers, channel mode: MIDI
1.0 Detailed Specification 4.2.1, tables III and IIIa)."""
POINTS_MOST = 128  # of one output in one message; of more, the newest
# A value comes in halves; the step between them is far shorter than any filter after a jack.
HALVES_MS = 0.5
NS_PER_MS = 1e6


class Unread:
    """Messages that need no decoding before somebody looks: the newest value of each controller,
    and how many clocks each port has had. Notes may be decoded before them."""

    def __init__(self) -> None:
        self._values: dict[str, dict[str, str]] = {}
        self._clocks: dict[str, int] = {}

    def keep(self, port: str, data: str) -> bool:
        """Keep a message (hexadecimal); False where it has to be decoded now, and for all but notes
        what is kept before it."""
        if data == "f8":
            self._clocks[port] = self._clocks.get(port, 0) + 1
        elif data[0] == "b" and len(data) == 6 and int(data[2:4], 16) not in STEERING:
            values = self._values.setdefault(port, {})
            # In the order in which they came last: the upper half of a value clears the lower one.
            values.pop(data[:4], None)
            values[data[:4]] = data
        else:
            return False
        return True

    def read(self, decoder: Decoder) -> None:
        """Decode what is kept."""
        for port, values in self._values.items():
            for data in values.values():
                decoder.feed(port, bytes.fromhex(data))
        for port, count in self._clocks.items():
            decoder.feed(port, b"\xf8" * count)
        self.forget()

    def forget(self) -> None:
        self._values.clear()
        self._clocks.clear()


class ScopeView:
    """What one viewer has not seen yet. `take` gives the ``scope`` message and forgets it."""

    def __init__(self, volts: dict[str, float]) -> None:
        self._all: dict[str, float] | None = volts
        self._points: dict[str, list[list[float]]] = {}

    def add(self, name: str, ms: float, volts: float, gate: bool = True) -> None:
        """One step. Steps of values that follow at once are one; those of a gate never are."""
        points = self._points.setdefault(name, [])
        if not gate and points and ms - points[-1][0] < HALVES_MS:
            points[-1][1] = volts
            return
        points.append([ms, volts])
        if len(points) > POINTS_MOST:
            del points[0]

    def take(self, now_ms: float) -> dict[str, Any] | None:
        """The message, or None when nothing has moved. The first one has every output: those that
        have not moved since stand at `now_ms`."""
        if self._all is None and not self._points:
            return None
        points = self._points
        if self._all is not None:
            points = {
                name: points.get(name) or [[now_ms, volts]] for name, volts in self._all.items()
            }
        self._all, self._points = None, {}
        return {"type": "scope", "t_ms": now_ms, "outputs": points}


class Scope:
    """Follows the volts of the session's rig."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._decoder: Decoder | None = None
        self._values: set[str] = set()
        self._viewers: set[ScopeView] = set()
        self._unread = Unread()
        session.stream.on(RigChanged, self._rig)
        session.stream.on(Played, self._played)
        session.stream.on(PresenceChanged, self._presence)

    def _begin(self, rig: Rig) -> None:
        """Takes the outputs of `rig`; they stand as a player leaves them when it starts."""
        self._decoder = Decoder(rig.wired)
        self._unread.forget()
        self._values = {n for n, w in rig.wired.items() if w.output.kind in ("pitch", "level")}
        # The player's first words came before anybody listened: bend ranges, rest volts.
        for message in Encoder(rig.wired).setup():
            self._decoder.feed(message.port, message.data)

    def watch(self) -> ScopeView:
        """A new viewer; `leave` when it looks away."""
        volts = self._volts()
        viewer = ScopeView({name: round(value, 5) for name, value in volts.items()})
        self._viewers.add(viewer)
        return viewer

    def leave(self, viewer: ScopeView) -> None:
        self._viewers.discard(viewer)

    def volts(self, output: str) -> float | None:
        """What an output is at now."""
        return self._volts().get(output)

    def _volts(self) -> Mapping[str, float]:
        if self._decoder is None:
            return {}
        self._unread.read(self._decoder)
        return self._decoder.volts

    def _rig(self, event: RigChanged) -> None:
        if event.before is None or event.before.wired != event.rig.wired:
            self._begin(event.rig)

    def _presence(self, event: PresenceChanged) -> None:
        if event.present and self._session.rig is not None:
            self._begin(self._session.rig)  # a new player has put everything to rest

    def _played(self, event: Played) -> None:
        if self._decoder is None:
            return
        moved = False
        for ns, port, data in event.frame.get("sent", ()):
            if not self._viewers:
                if not self._unread.keep(port, data):
                    if data[0] not in "89":
                        self._unread.read(self._decoder)
                    self._decoder.feed(port, bytes.fromhex(data))
                continue
            changes = self._decoder.feed(port, bytes.fromhex(data))
            ms = round(ns / NS_PER_MS, 2)
            for name, volts in changes:
                moved, gate = True, name not in self._values
                for viewer in self._viewers:
                    viewer.add(name, ms, round(volts, 5), gate)
        if moved:
            self._session.stream.tell(VoltsChanged())
