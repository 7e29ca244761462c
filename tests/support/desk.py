"""A small rig and a player on a clock that tests move, and what was seen on its wire."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from support.said import say

from bridge.music.model import Lane, Macro, OutputRange, SetSpec, Steps
from bridge.music.pattern import parse_steps
from bridge.music.score import Score, compile_score
from bridge.music.ticks import parse_rate
from bridge.player.dispatch import Player
from bridge.player.start import PortSpec
from bridge.ports.simulated import SimulatedOut
from bridge.voltage.profile import Address, Output, WiredOutput
from bridge.voltage.rig_parts import ClockSettings, Timing

BEGIN = 10_000_000_000
MS = 1_000_000
BAR, BEAT, STEP = 3840, 960, 240
GATES = 8


def wire(*outputs: Output, port: str = "main") -> dict[str, WiredOutput]:
    return {f"{port}.{out.name}": WiredOutput(f"{port}.{out.name}", port, out) for out in outputs}


RIG: Mapping[str, WiredOutput] = wire(
    *(
        Output(f"gate-{n}", "gate", Address("note-velocity", 10, 35 + n))
        for n in range(1, GATES + 1)
    ),
    *(Output(f"pitch-{n}", "pitch", Address("cc14", n, 16), 0.0, 8.0, bits=14) for n in (1, 2)),
    *(Output(f"level-{n}", "level", Address("cc", n, 20), 0.0, 5.0) for n in (1, 2)),
)
"""Gate n is note 35 + n on channel 10; pitch n the pair 16, 48 and level n controller 20, both on
channel n."""


def ranges(rig: Mapping[str, WiredOutput]) -> dict[str, OutputRange]:
    return {
        name: OutputRange(name, w.output.kind, w.output.low, w.output.high, w.output.pulse_ms)
        for name, w in rig.items()
    }


def gate_lane(name: str, text: str, gate: int = 1, rate: str = "1/16", **more: Any) -> Lane:
    return Lane(name, Steps(parse_steps(text)), parse_rate(rate), out=f"main.gate-{gate}", **more)


def score_of(
    *lanes: Lane, macros: Iterable[Macro] = (), rig: Mapping[str, WiredOutput] = RIG, **spec: Any
) -> Score:
    return compile_score(
        SetSpec(name="Low tide", lanes=tuple(lanes), macros=tuple(macros), **spec), ranges(rig)
    )


class Opening(NamedTuple):
    """One gate as the wire saw it: times in ms from `Desk.zero`; `off` is None while open."""

    on: float
    off: float | None
    velocity: int


@dataclass
class Desk:
    """A player whose time stands until `run` moves it."""

    score: Score
    rig: Mapping[str, WiredOutput] = field(default_factory=lambda: RIG)
    timing: Timing = field(default_factory=Timing)
    clock: ClockSettings = field(default_factory=ClockSettings)
    specs: Mapping[str, PortSpec] | None = None
    now: int = BEGIN
    zero: int = BEGIN
    steps: int = 0

    def __post_init__(self) -> None:
        names = sorted({wired.port for wired in self.rig.values()})
        self.ports = {name: SimulatedOut(name, lambda: self.now, keep=None) for name in names}
        self.player = Player(
            self.score,
            self.rig,
            self.ports,
            self.now,
            lambda: self.now,
            specs=self.specs,
            timing=self.timing,
            settings=self.clock,
        )

    # --- moving ---

    def run(self, ms: float) -> None:
        """Lets time pass; the player is called exactly when it asked to be."""
        until = self.now + round(ms * MS)
        while self.now < until:
            due = self.player.step(self.now)
            assert due > self.now, "the player asked to be called in the past"
            self.steps += 1
            self.now = min(due, until)
        self.player.step(self.now)

    def do(self, do: str, **fields: Any) -> None:
        self.player.command(say(do, **fields), self.now, client=str(fields.get("client", "")))

    def start(self) -> None:
        """Starts; `zero` becomes the time of the first tick."""
        self.do("start")
        self.zero = self.player.song.time_of(0)

    def run_to(self, tick: float) -> None:
        """Lets time pass until the song has come to `tick`."""
        self.run((self.player.song.time_of(tick) - self.now) / MS)

    def midi(self, data: bytes, source: str = "pulse") -> None:
        """A message arrives now; the player is called at once, as its process does."""
        self.player.midi_in(source, self.now, data, self.now)
        self.player.step(self.now)

    # --- seeing ---

    def sent(self, port: str = "main") -> list[tuple[float, bytes]]:
        """(ms from zero, message)."""
        return [((ns - self.zero) / MS, data) for ns, data in self.ports[port].sent]

    def of_status(self, status: int, port: str = "main") -> list[tuple[float, bytes]]:
        return [(ms, data) for ms, data in self.sent(port) if data[0] == status]

    def openings(self, gate: int = 1) -> list[Opening]:
        """Every opening of a gate, in order."""
        note = 35 + gate
        found: list[Opening] = []
        for ms, data in self.sent():
            if len(data) < 2 or data[1] != note:
                continue
            if data[0] == 0x99 and data[2]:
                assert not found or found[-1].off is not None, "opened while open"
                found.append(Opening(ms, None, data[2]))
            elif data[0] == 0x89 and found and found[-1].off is None:
                found[-1] = found[-1]._replace(off=ms)
        return found

    def ons(self, gate: int = 1) -> list[float]:
        return [opening.on for opening in self.openings(gate)]

    def still_open(self) -> list[int]:
        return [n for n in range(1, GATES + 1) if any(o.off is None for o in self.openings(n))]


def ms_of(tick: float, bpm: float = 120.0) -> float:
    """When a tick falls, in ms from tick 0."""
    return tick * 60_000 / (bpm * BEAT)
