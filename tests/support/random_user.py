"""Somebody who does anything at any time: hands by HTTP and by OSC, and processes that are killed.

A Hypothesis state machine on the whole program with a simulated port. It knows from its own
bookkeeping how the mutes, macros and section must stand, and holds after every step that both views
(the state by HTTP, and a page that follows merge patches) show just that, and that the wire has no
open gate that nothing explains. An undo or redo without a good answer has happened wholly or not at
all: the history says which of both, and everything else must agree with it.
"""

from __future__ import annotations

import contextlib
import os
import random
import signal
import socket
import struct
import tempfile
import time
import urllib.error
from collections.abc import Callable
from pathlib import Path
from typing import Any, ClassVar, Literal

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule
from support.killing import Stage, service_pid
from support.page_view import PageView
from support.patience import PATIENCE_S

SET = """\
set: Undertow
tempo: 240
lanes:
  kick: {steps: "x.x.", out: main.gate-1, gate: 0.9}
  hat: {steps: "xxxx", out: main.gate-2, gate: 0.5}
  spray: {logic: "hat and not kick", out: main.gate-3}
macros:
  depth: {start: 0.2, drives: [{out: main.level-1, from: 0, to: 5}]}
  edge: {start: 0.5, drives: [{out: main.level-2, from: 0, to: 5}]}
sections:
  shallow: {play: [kick, hat], macros: {depth: 0.25}}
  flood: {play: all, macros: {depth: 0.75}}
"""
LANES = {"kick": 36, "hat": 37, "spray": 38}
PLAYED = {"shallow": {"kick", "hat"}, "flood": set(LANES)}
DEPTH = {"shallow": 0.25, "flood": 0.75}
MACROS = ("depth", "edge")
EIGHTHS = st.integers(0, 8).map(lambda n: n / 8)  # exact in 32 bits, as OSC carries them
HAND_S = 0.05
JUST_S = 2.0
"""A step is kept for the next service within this time, on a machine that is busy too."""


def osc(address: str, tag: str, value: Any) -> bytes:
    """One message (Open Sound Control 1.0), made here and not by the library that reads it."""

    def padded(text: str) -> bytes:
        raw = text.encode()
        return raw + bytes(4 - len(raw) % 4)

    return padded(address) + padded("," + tag) + struct.pack(f">{tag}", value)


class RandomUser(RuleBasedStateMachine):
    """Kills of the player are few: after five in a minute the program rests, as it should."""

    kills_of_player, kills_of_service = 2, 4
    kills: ClassVar = {"service": 0, "player": 0}
    """How many there were in all machines of this run."""

    def __init__(self) -> None:
        super().__init__()
        self._end = contextlib.ExitStack()
        folder = self._end.enter_context(tempfile.TemporaryDirectory())
        self.stage = Stage(Path(folder), text=SET)
        self._end.callback(self.stage.end)
        self._udp = self._end.enter_context(socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
        self.muted = dict.fromkeys(LANES, False)
        self.macros = {"depth": 0.2, "edge": 0.5}
        self.section: str | None = None
        self.playing = True
        self._left, self._left_services = self.kills_of_player, self.kills_of_service
        self._acted = 0.0  # when the last step was done
        self._older = 0  # as many steps of the history were followed by one that was forgotten
        self._wait(self.stage.answers, "the service")
        self.page = self._end.enter_context(PageView(self.stage.http))

    def step(self, chance: random.Random) -> str:
        """One step without Hypothesis, which tries the simplest of all things first."""
        lane, macro = chance.choice(sorted(LANES)), chance.choice(MACROS)
        by_osc, muted = chance.random() < 0.5, chance.random() < 0.5
        hands: list[Callable[[], None]] = [
            lambda: self.mute(lane, muted, by_osc),
            lambda: self.move(macro, chance.randint(0, 8) / 8, by_osc),
            self.stop_or_go_on,
            self.take_back_and_do_again,
        ]
        if self.playing:
            hands.append(lambda: self.recall(chance.choice(sorted(PLAYED))))
        which = chance.randrange(len(hands))
        hands[which]()
        return ("mute", "move", "transport", "undo and redo", "section")[which]

    def kill(self, who: Literal["service", "player"]) -> None:
        """A kill without Hypothesis."""
        (self._kill_service if who == "service" else self._kill_player)()

    def look(self) -> None:
        """All that must hold."""
        self.both_views_show_what_was_done()
        self.no_gate_is_open_without_a_cause()

    def teardown(self) -> None:
        self._end.close()

    @staticmethod
    def _wait(true: Callable[[], Any], what: str) -> None:
        end = time.monotonic() + PATIENCE_S
        while True:
            with contextlib.suppress(OSError):
                if true():
                    return
            assert time.monotonic() < end, f"never: {what}"
            time.sleep(0.01)

    # --- hands --------------------------------------------------------------------------------

    def _send(self, path: str, body: dict[str, Any], method: str = "PUT") -> None:
        """Asks again while another hand is on the control, or a process is away."""

        def done() -> bool:
            try:
                self.stage.put(path, body, method)
            except urllib.error.HTTPError as refused:
                if refused.code not in (409, 429, 503):
                    raise AssertionError(f"{path} is refused: {refused.code}") from None
                return False
            return True

        self._wait(done, path)

    def _osc(self, address: str, tag: str, value: Any, seen: Callable[[], bool]) -> None:
        """Sends it until it is seen: a datagram to a service that is away is lost."""

        def done() -> bool:
            self._udp.sendto(osc(address, tag, value), ("127.0.0.1", self.stage.osc))
            time.sleep(HAND_S)
            return seen()

        self._wait(done, address)

    @rule(lane=st.sampled_from(sorted(LANES)), muted=st.booleans(), by_osc=st.booleans())
    def mute(self, lane: str, muted: bool, by_osc: bool) -> None:
        if by_osc:
            self._osc(
                f"/lane/{lane}/mute",
                "i",
                int(muted),
                lambda: self.stage.state()["lanes"][lane]["muted"] is muted,
            )
        else:
            self._send(f"/api/lanes/{lane}/mute", {"muted": muted, "when": "now"})
        self.muted[lane], self._acted = muted, time.monotonic()

    @rule(macro=st.sampled_from(MACROS), value=EIGHTHS, by_osc=st.booleans())
    def move(self, macro: str, value: float, by_osc: bool) -> None:
        if by_osc:
            self._osc(
                f"/macro/{macro}",
                "f",
                value,
                lambda: self.stage.state()["macros"][macro]["value"] == value,
            )
        else:
            self._send(f"/api/macros/{macro}", {"value": value})
        self.macros[macro], self._acted = value, time.monotonic()

    @rule(section=st.sampled_from(sorted(PLAYED)))
    @precondition(lambda self: self.playing)
    def recall(self, section: str) -> None:
        self._send(f"/api/sections/{section}", {"when": "now"}, "POST")
        self.section = section
        self.muted = {lane: lane not in PLAYED[section] for lane in LANES}
        self.macros["depth"], self._acted = DEPTH[section], time.monotonic()

    @rule()
    def stop_or_go_on(self) -> None:
        self._send(f"/api/transport/{'stop' if self.playing else 'continue'}", {}, "POST")
        self.playing = not self.playing

    @rule()
    def take_back_and_do_again(self) -> None:
        """Whatever the last step was: undo and redo leave all as it was."""
        done, _ = self._history()
        if len(done) <= self._older or not self._travels("undo"):
            return
        self._wait(lambda: self._travels("redo"), "the redo")

    def _travels(self, way: Literal["undo", "redo"]) -> bool:
        """Asks for one step; whether it has happened. A refusal says that it has not; where nothing
        is known the history must say it, once the player has done all that it was sent."""
        before = done, undone = self._history()
        if way == "undo":
            after = (done[1:], [*done[:1], *undone])
        else:
            after = ([*undone[:1], *done], undone[1:])
        happened = True
        try:
            self.stage.post(f"/api/{way}")
        except OSError as error:  # an answer with an error is one too
            if isinstance(error, urllib.error.HTTPError) and error.code in (409, 429):
                happened = False
            else:
                # The player takes its commands in turn, and this one changes nothing.
                self.mute("kick", self.muted["kick"], False)
                happened = self._history() != before
        found = self._history()
        assert found == (after if happened else before), f"{way}: {before} became {found}"
        return happened

    def _history(self) -> tuple[list[str], list[str]]:
        found: list[tuple[list[str], list[str]]] = []

        def told() -> bool:
            found.append(self.stage.history())
            return True

        self._wait(told, "the history")
        return found[-1]

    # --- kills --------------------------------------------------------------------------------

    @rule()
    @precondition(lambda self: self._left_services > 0)
    def kill_the_service(self) -> None:
        self._kill_service()

    def _kill_service(self) -> None:
        self._left_services -= 1
        old = service_pid(self.stage)
        done, undone = self._history()
        just = time.monotonic() - self._acted < JUST_S
        os.kill(old, signal.SIGKILL)
        type(self).kills["service"] += 1
        self._wait(self.stage.answers, "another service")
        found, again = self._history()
        if (found, again) != (done, undone):
            # Only what was done right before may be forgotten, and nothing that was answered as
            # undone or repeated: that is kept before its answer.
            assert just, f"{done, undone} became {found, again}"
            rest = done[len(done) - len(found) :]
            # Moves of one macro are one step, of which the last moves may be forgotten.
            same = [label.split()[0] for label in (*found[:1], *rest[:1])]
            assert found[1:] == rest[1:], f"{done} became {found}"
            assert found == rest or (same[0] == same[1] and same[0] in MACROS), f"{done}, {found}"
            self._older = len(found)

    @rule()
    @precondition(lambda self: self._left > 0)
    def kill_the_player(self) -> None:
        self._kill_player()

    def _kill_player(self) -> None:
        self._left -= 1
        old = self.stage.player()
        os.kill(old, signal.SIGKILL)
        type(self).kills["player"] += 1
        self._wait(lambda: self.stage.player() != old and self.stage.answers(), "another player")

    # --- what must hold -----------------------------------------------------------------------

    def _stands(self, state: dict[str, Any]) -> dict[str, Any]:
        return {
            "muted": {lane: state["lanes"][lane]["muted"] for lane in LANES},
            "macros": {name: round(state["macros"][name]["value"], 6) for name in MACROS},
            "section": state["section"],
            "playing": state["transport"]["state"] == "running",
        }

    @invariant()
    def both_views_show_what_was_done(self) -> None:
        wanted = {
            "muted": self.muted,
            "macros": self.macros,
            "section": self.section,
            "playing": self.playing,
        }
        seen: dict[str, Any] = {}

        def same() -> bool:
            seen["http"] = self._stands(self.stage.state())
            seen["page"] = self._stands(self.page.state)
            return bool(seen["http"] == wanted == seen["page"])

        try:
            self._wait(same, "the same everywhere")
        except AssertionError:
            raise AssertionError(f"wanted {wanted}, seen {seen}") from None

    @invariant()
    def no_gate_is_open_without_a_cause(self) -> None:
        """A lane that is out, and any lane while it stands, is closed after the longest gate."""
        silent = {note for lane, note in LANES.items() if self.muted[lane] or not self.playing}
        if silent:
            self._wait(lambda: not silent & self.stage.open_notes(), "closed gates")
