"""What an interface does with MIDI: outputs, how each is addressed, and what volts come out.

Frozen values only; `bridge.files.profile` reads them from YAML, `bridge.files.rig` wires them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

OutputKind = Literal["gate", "trigger", "pitch", "level", "clock", "reset", "run"]
By = Literal[
    "note", "note-velocity", "note-pitch", "bend", "cc", "cc14", "nrpn", "pressure", "program", "clock"
]


@dataclass(frozen=True, slots=True)
class Address:
    """How an output is reached over MIDI.

    `by`: ``note`` a fixed note opens a gate; ``note-velocity`` a fixed note whose velocity is the
    level; ``note-pitch`` the number of whatever note sounds on the channel is the pitch;
    ``bend`` 14-bit pitch bend; ``cc`` one controller 0..127; ``cc14`` the pair n, n + 32 (n 0..31);
    ``nrpn`` a non-registered parameter 0..16383; ``pressure`` channel pressure; ``program``;
    ``clock`` the real-time bytes themselves. `channel` counts from 1. `number` is the note,
    controller, parameter or program number where one is needed. For ``note``, None means any note
    of the channel (the gate of a mono voice).
    """

    by: By
    channel: int = 1
    number: int | None = None


@dataclass(frozen=True, slots=True)
class Output:
    """One jack of an interface, in volts at both ends of its code range.

    low, high
        volts at the lowest and the highest code (gates: closed and open, whatever the polarity).
    rest
        volts when nothing plays: start, stop, exit, crash.
    bits
        resolution of the converter behind the jack.
    law, reference_note, reference_volts
        ``v/oct`` or ``hz/v``: the note that gives `reference_volts`; 1 V/oct unless
        `volts_per_octave` says otherwise. For ``hz/v`` volts double at each octave.
    bend_semitones
        bend range of a voice whose pitch comes from notes, set by RPN 0 when `set_bend_range`.
    pulse_ms, gap_ms
        fixed width of a trigger (0: as long as the note), and the shortest closed time.
    voice
        outputs of one interface that share a voice name take pitch and gate from one note.
    excludes
        names of outputs that cannot be used together with this one.
    """

    name: str
    kind: OutputKind
    address: Address
    low: float = 0.0
    high: float = 5.0
    rest: float = 0.0
    bits: int = 7
    law: Literal["v/oct", "hz/v"] = "v/oct"
    reference_note: float = 36.0
    reference_volts: float = 0.0
    volts_per_octave: float = 1.0
    bend_semitones: float = 2.0
    set_bend_range: bool = False
    pulse_ms: float = 0.0
    gap_ms: float = 1.0
    inverted: bool = False
    voice: str | None = None
    excludes: tuple[str, ...] = ()
    ppqn: int = 24
    says: str = ""


@dataclass(frozen=True, slots=True)
class Profile:
    """One kind of interface. `link` decides bandwidth: ``din`` 31250 baud, ``usb`` 1 ms frames."""

    name: str
    says: str
    outputs: tuple[Output, ...]
    link: Literal["din", "usb"] = "usb"
    latency_ms: float = 0.0
    max_messages_per_s: float = 0.0

    def output(self, name: str) -> Output:
        """The output called `name`; KeyError when there is none."""
        for out in self.outputs:
            if out.name == name:
                return out
        raise KeyError(name)


@dataclass(frozen=True, slots=True)
class WiredOutput:
    """An output in a rig: `name` is ``interface.output``, `port` the interface's name (each
    interface has one port), `cable` where the person says it goes."""

    name: str
    port: str
    output: Output
    cable: str = ""
