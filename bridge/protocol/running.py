"""Commands of the transport, the tempo, the clock and the soundcheck of one output.

Transport, position, the internal clock and the soundcheck are moments and not states: they have
no inverse and make no step in the history.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Literal

from bridge.protocol.command import Address, Command, Http, Osc, Unconfirmed, row
from bridge.protocol.internal import PutBack
from bridge.protocol.limits import Milliseconds, OutputName, PortName, Tempo, Tick, TryMs, TryValue

if TYPE_CHECKING:
    from bridge.protocol.state import PlayerReport

_INTERNAL = "Goes over to the internal clock, without a jump."


@row(
    "start",
    about="transport",
    osc=Osc("/transport/start", ("restart",), button=True),
    http=Http(
        "POST",
        "/api/transport/start",
        "start",
        "Starts at the beginning; does nothing while it runs, unless `restart` says so.",
    ),
)
class Start(Command):
    """Starts at the beginning. While it runs that changes nothing, unless `restart` is true."""

    restart: bool = False

    def remembered(self) -> object:
        return "running"


@row(
    "stop",
    about="transport",
    osc=Osc("/transport/stop"),
    http=Http("POST", "/api/transport/stop", "stop", "Stops and closes every gate."),
)
class Stop(Command):
    """Stops and closes every gate."""

    def remembered(self) -> object:
        return "stopped"


@row(
    "continue",
    about="transport",
    osc=Osc("/transport/continue"),
    http=Http("POST", "/api/transport/continue", "continue", "Goes on from where it is."),
)
class Continue(Command):
    """Goes on from where it is."""

    def remembered(self) -> object:
        return "running"


@row(
    "position",
    osc=Osc("/transport/position", ("tick",)),
    http=Http("PUT", "/api/transport/position", "setPosition", "Moves to a tick."),
)
class SetPosition(Command):
    """Moves to a tick."""

    tick: Tick


def _tempo_inverse(
    command: Command, state: PlayerReport, unconfirmed: Unconfirmed
) -> tuple[Command, ...]:
    glide = state.get("tempo_glide")
    if glide and command.address() not in unconfirmed:
        return (PutBack(parts={"tempo": state["tempo"], "tempo_glide": glide}),)
    return (SetTempo(bpm=unconfirmed.get(command.address(), state["transport"]["tempo"])),)


@row(
    "tempo",
    value=True,
    osc=Osc("/tempo", ("bpm",)),
    http=Http("PUT", "/api/tempo", "setTempo", "Sets the tempo of the internal clock."),
)
class SetTempo(Command):
    """Sets the tempo of the internal clock."""

    bpm: Tempo

    def label(self) -> str:
        return f"tempo {self.bpm:g}"

    def remembered(self) -> object:
        return self.bpm

    def merges(self) -> bool:
        return True

    def inverse(self, state: PlayerReport, unconfirmed: Unconfirmed) -> tuple[Command, ...]:
        return _tempo_inverse(self, state, unconfirmed)


@row(
    "tap",
    paced=False,
    osc=Osc("/tap"),
    http=Http("POST", "/api/tempo/tap", "tap", "One tap of the tempo."),
)
class Tap(Command):
    """One tap of the tempo."""

    def merges(self) -> bool:
        return True

    def inverse(self, state: PlayerReport, unconfirmed: Unconfirmed) -> tuple[Command, ...]:
        return _tempo_inverse(self, state, unconfirmed)


@row(
    "nudge",
    paced=False,
    osc=Osc("/nudge", ("ms",)),
    http=Http("POST", "/api/tempo/nudge", "nudge", "Pushes or pulls the clock once."),
)
class Nudge(Command):
    """Pushes or pulls the clock once."""

    ms: Milliseconds

    def inverse(self, state: PlayerReport, unconfirmed: Unconfirmed) -> tuple[Command, ...]:
        return (Nudge(ms=-self.ms),) if self.ms else ()


@row(
    "offset",
    value=True,
    osc=Osc("/offset", ("ms",)),
    http=Http("PUT", "/api/clock/offset", "setOffset", "Plays everything earlier or later."),
)
class SetOffset(Command):
    """Plays everything earlier or later."""

    ms: Milliseconds

    def label(self) -> str:
        return f"offset {self.ms:g} ms"

    def remembered(self) -> object:
        return self.ms

    def merges(self) -> bool:
        return True

    def inverse(self, state: PlayerReport, unconfirmed: Unconfirmed) -> tuple[Command, ...]:
        was = unconfirmed.get(self.address(), state["clock"]["offset_ms"])
        return () if was == self.ms else (replace(self, ms=was),)


@row(
    "internal-clock",
    about="clock",
    osc=(Osc("/internal-clock"), Osc("/take-clock", older=True)),
    http=(
        Http("POST", "/api/clock/internal", "useInternalClock", _INTERNAL),
        Http("POST", "/api/clock/take", "takeClock", _INTERNAL, older=True),
    ),
    older="take-clock",
)
class UseInternalClock(Command):
    """Goes over to the internal clock, without a jump."""


@row(
    "follow",
    about="clock",
    osc=Osc("/follow", ("source",)),
    http=Http("PUT", "/api/clock/source", "follow", "Chooses the clock to follow."),
)
class Follow(Command):
    """Follows a clock: ``internal``, or a part of a MIDI input's name."""

    source: PortName

    def inverse(self, state: PlayerReport, unconfirmed: Unconfirmed) -> tuple[Command, ...]:
        was = state["clock"]["source"]
        return () if was == self.source else (Follow(source=was),)


@row(
    "try",
    osc=(
        Osc("/output/{output}/gate", ("value", "ms"), fixed=(("action", "gate"),)),
        Osc("/output/{output}/pitch", ("value", "ms"), fixed=(("action", "pitch"),)),
        Osc("/output/{output}/level", ("value", "ms"), fixed=(("action", "level"),)),
    ),
    http=Http(
        "POST",
        "/api/outputs/{output}/try",
        "tryOutput",
        "Soundcheck of one output. Turn the monitors down first.",
    ),
)
class TryOutput(Command):
    """Soundcheck of one output. `value`: level 0..1 of a gate (0 closes it), note number of a
    pitch, volts of a level; the player keeps it inside the profile's range. `ms`: how long a gate
    stays open; a quarter of a second unless told, or its pulse."""

    output: OutputName
    action: Literal["gate", "pitch", "level"]
    value: TryValue
    ms: TryMs | None = None

    def address(self) -> Address:
        return ("try", self.output)
