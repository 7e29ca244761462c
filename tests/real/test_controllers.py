"""A MIDI controller on a real wire: learned, played, lit, pulled out and plugged in again.

The controller is a JACK client that knows nothing of this package; the answers are what it gets at
its own input. Status bytes: MIDI 1.0, table of channel messages.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from support import jackd
from support.patience import PATIENCE_S

SUPPORT = Path(jackd.__file__).parent
pytestmark = [pytest.mark.real, pytest.mark.timeout(900)]

RIG = """\
rig: Quay rack
interfaces:
  main: {profile: eight-gates-four-cv, port: simulated}
controllers:
  desk:
    port: knobs    # the grey box
"""
SET = """\
set: Low tide
tempo: 120
lanes:
  kick: {euclid: {hits: 4, steps: 16}, out: main.gate-1}
  rim: {euclid: {hits: 5, steps: 16}, out: main.gate-2}
macros:
  brightness: {start: 0.5, drives: [{out: main.level-1, from: 0, to: 5}]}
"""


class Knobs:
    """The controller; `got` is what its lamps were sent."""

    def __init__(self, env: dict[str, str]) -> None:
        self.process = subprocess.Popen(
            [sys.executable, str(SUPPORT / "jack_knobs.py"), "knobs"],
            env=env,
            text=True,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        assert self.process.stdout is not None
        assert self.process.stdout.readline() == "ready\n"
        self.got: list[str] = []
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.got.append(line.split()[1])

    def send(self, *messages: str) -> None:
        assert self.process.stdin is not None
        for message in messages:
            self.process.stdin.write(message + "\n")
        self.process.stdin.flush()

    def pull_out(self) -> None:
        with contextlib.suppress(OSError):
            assert self.process.stdin is not None
            self.process.stdin.close()
        self.process.wait(PATIENCE_S)
        self._reader.join(PATIENCE_S)
        assert self.process.stdout is not None
        self.process.stdout.close()


@contextlib.contextmanager
def plugged(env: dict[str, str]) -> Iterator[Knobs]:
    knobs = Knobs(env)
    try:
        yield knobs
    finally:
        knobs.pull_out()


def learn(app: Any, knobs: Knobs, messages: list[str], **body: Any) -> Any:
    """Asks to learn, and touches the control once the page would say so."""
    answers: list[Any] = []
    asking = threading.Thread(
        target=lambda: answers.append(app.send("POST", "controllers/learn", body))
    )
    asking.start()
    try:
        jackd.wait_for(lambda: app.state.get("learning"), PATIENCE_S, "learning")
        knobs.send(*messages)
    finally:
        asking.join(PATIENCE_S)
    return answers[0]


def test_a_controller_is_learned_plays_and_is_lit(
    tmp_path: Path, needs: Any, lanebridge: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    needs("jackd", "python:jack")
    rig = tmp_path / "rig.yaml"
    rig.write_text(RIG)
    (tmp_path / "set.yaml").write_text(SET)
    with jackd.server(f"lc{os.getpid()}", tmp_path) as env:
        for name in ("JACK_DEFAULT_SERVER", "JACK_NO_START_SERVER"):
            monkeypatch.setenv(name, env[name])
        play = ("play", str(rig), str(tmp_path / "set.yaml"))
        with plugged(env) as knobs, lanebridge(*play) as app:
            jackd.wait_for(
                lambda: app.state["controllers"]["desk"]["open"], PATIENCE_S, "the input"
            )

            row = learn(app, knobs, ["90247f", "902400"], target="mute", name="kick", feedback=True)
            assert (row["kind"], row["number"]) == ("note", 36)
            row = learn(
                app,
                knobs,
                ["b01500", "b01505", "b01509"],
                target="macro",
                name="brightness",
                feedback=True,
            )
            assert (row["kind"], row["number"]) == ("cc", 21)
            assert "port: knobs    # the grey box" in rig.read_text()
            assert "{note: 36, mute: kick, feedback: true}" in rig.read_text()

            # Lit: the lane is in, and the macro stands at 0.5 (64 of 127).
            jackd.wait_for(lambda: {"90247f", "b01540"} <= set(knobs.got), PATIENCE_S, "the lamps")
            knobs.send("90247f", "902400")
            jackd.wait_for(lambda: app.state["lanes"]["kick"]["muted"], PATIENCE_S, "the mute")
            jackd.wait_for(lambda: "902400" in knobs.got, PATIENCE_S, "the lamp to go out")

            # The knob starts below the macro: it moves it only after it has passed 0.5.
            knobs.send("b01520")
            jackd.wait_for(
                lambda: control(app)["value"] == pytest.approx(0x20 / 127, abs=1e-3),
                PATIENCE_S,
                "the knob",
            )
            assert control(app)["waiting"]
            assert app.state["macros"]["brightness"]["value"] == 0.5
            knobs.send("b01530", "b01541", "b01550", "b01560")
            jackd.wait_for(
                lambda: app.state["macros"]["brightness"]["value"] == 0x60 / 127,
                PATIENCE_S,
                "the macro",
            )
            # Another hand moves it: the knob lets go, and the ring follows.
            jackd.wait_for(lambda: moved(app, 0.25), PATIENCE_S, "the other hand")
            jackd.wait_for(lambda: control(app)["waiting"], PATIENCE_S, "the knob to let go")
            jackd.wait_for(lambda: "b01520" in knobs.got, PATIENCE_S, "the ring")

            knobs.pull_out()
            jackd.wait_for(
                lambda: not app.state["controllers"]["desk"]["open"], PATIENCE_S, "the loss"
            )
            with plugged(env) as again:
                jackd.wait_for(
                    lambda: app.state["controllers"]["desk"]["open"], PATIENCE_S, "its return"
                )
                jackd.wait_for(
                    lambda: {"902400", "b01520"} <= set(again.got), PATIENCE_S, "the lamps"
                )
                again.send("90247f")
                jackd.wait_for(
                    lambda: not app.state["lanes"]["kick"]["muted"], PATIENCE_S, "the unmute"
                )


def control(app: Any) -> Any:
    return app.state["controllers"]["desk"]["controls"]["cc-21-1"]


def moved(app: Any, value: float) -> bool:
    """A page moves the macro, as soon as the knob's hand is off it (0.3 s)."""
    with contextlib.suppress(OSError):
        app.send("PUT", "macros/brightness", {"value": value})
        return True
    return False
