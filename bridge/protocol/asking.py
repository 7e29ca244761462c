"""What a page asks of its own connection: what it wants to be told, and to learn a control."""

from __future__ import annotations

from typing import Annotated

from bridge.protocol.bounds import Ge, Le
from bridge.protocol.command import Command, Http, row
from bridge.protocol.limits import USUAL_STEPS, Coding, EncoderSteps, Name, Target, Unit


@row("chart", by="connection", role="watch")
class AskChart(Command):
    """The page asks to be told the hits and values of the coming bars, from now on."""

    bars: Annotated[int, Ge(1), Le(8), Unit("bars")] = 2


@row("alive", by="connection", role="watch")
class AskAlive(Command):
    """A page asks whether anybody is there."""


@row("scope", by="connection", role="watch")
class AskScope(Command):
    """The page asks for the volts of every output, or for no more of them."""

    on: bool


@row(
    "learn",
    by="connection",
    role="edit",
    http=Http(
        "POST",
        "/api/controllers/learn",
        "learnControl",
        "Waits for a control to be touched and binds it; written into the rig.",
    ),
)
class Learn(Command):
    """Binds the next control of a MIDI controller that is touched; answered when it is done.
    An encoder must be called one, with its coding: its messages alone do not tell."""

    target: Target
    name: Name
    controller: Name | None = None
    pickup: bool = True
    feedback: bool = False
    pair: bool = False
    latch: bool = False
    encoder: Coding | None = None
    steps: EncoderSteps = USUAL_STEPS
    replace: bool = False
    within_s: Annotated[float, Ge(1), Le(120), Unit("seconds")] = 20.0


@row("learn-cancel", by="connection", role="edit")
class CancelLearning(Command):
    """Ends the learning that this page has begun."""
