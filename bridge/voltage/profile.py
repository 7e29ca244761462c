"""What an interface does with MIDI: outputs, how each is addressed, and what volts come out.

Frozen values and the arithmetic of pitch and steps; `bridge.files.profile` reads profiles from
YAML, `bridge.files.rig` wires them. 1 V per octave is 83.33 mV per semitone (common practice);
Hz per volt means f = k * V, so an octave up doubles the voltage.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from bridge.music.kinds import OutputKind

By = Literal[
    "note",
    "note-velocity",
    "note-pitch",
    "bend",
    "cc",
    "cc14",
    "nrpn",
    "pressure",
    "program",
    "clock",
]

GATE_KINDS = ("gate", "trigger", "clock", "reset", "run")
# Highest code of every address that carries a plain number (MIDI 1.0: 7-bit data bytes, two of
# them for bend, controller pairs and parameters).
TOP_CODE = {
    "note-velocity": 127,
    "cc": 127,
    "pressure": 127,
    "program": 127,
    "bend": 16383,
    "cc14": 16383,
    "nrpn": 16383,
}
BEND_CENTRE = 8192
CENTS_PER_OCTAVE = 1200.0


@dataclass(frozen=True, slots=True)
class Address:
    """How an output is reached over MIDI.

    `by`: ``note`` a fixed note opens a gate; ``note-velocity`` a fixed note whose velocity is the
    level; ``note-pitch`` the number of whatever note sounds on the channel is the pitch;
    ``bend`` 14-bit pitch bend; ``cc`` one controller 0..127; ``cc14`` the pair n, n + 32 (n 0..31);
    ``nrpn`` a non-registered parameter 0..16383; ``pressure`` channel pressure; ``program``;
    ``clock`` the real-time bytes themselves. `channel` counts from 1. `number` is the note,
    controller, parameter or program number where one is needed. For ``note``, None means any note
    of the channel (the gate of a mono voice); for ``note-velocity``, the velocity of any note of
    the channel (the velocity jack of a mono voice); for ``program``, None means that the program
    number is the level, a number that this program fires the output.
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
        resolution of the converter behind the jack, 2**bits - 1 steps from low to high; 0: as fine
        as what MIDI says.
    law, reference_note, reference_volts
        ``v/oct`` or ``hz/v``: the note that gives `reference_volts`; 1 V/oct unless
        `volts_per_octave` says otherwise. For ``hz/v`` volts double at each octave.
    bend_semitones
        bend range of a voice whose pitch comes from notes, set by RPN 0 when `set_bend_range`;
        0: the voice ignores bend and plays whole semitones.
    pulse_ms, gap_ms
        fixed width of a trigger (0: as long as the note), and the shortest closed time.
    inverted
        the jack idles at the higher voltage and is pulled down while open (S-trig): `low`, the
        closed state, lies above `high`. What is sent stays the same: off is off, the safe state.
    voice
        outputs of one interface that share a voice name take pitch and gate from one note.
    excludes
        names of outputs that cannot be used together with this one.
    ppqn
        pulses per quarter note of a clock output.
    """

    name: str
    kind: OutputKind
    address: Address
    low: float = 0.0
    high: float = 5.0
    rest: float = 0.0
    bits: int = 0
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
    description: str = ""

    @property
    def gates(self) -> bool:
        """True for jacks that open and close, False for those that hold a voltage."""
        return self.kind in GATE_KINDS


@dataclass(frozen=True, slots=True)
class Profile:
    """One kind of interface. `link` decides bandwidth: ``din`` 31250 baud, ``usb`` 1 ms frames.

    `latency_ms` is from the last byte to the voltage; `max_messages_per_s` 0 means as many as the
    link carries.
    """

    name: str
    description: str
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


def clamp_volts(out: Output, volts: float) -> float:
    """`volts` within the two ends of an output.

    Args:
        out: either end may be the higher one.
        volts: any; not a number becomes rest.
    """
    if volts != volts:
        return out.rest
    low, high = (out.low, out.high) if out.low <= out.high else (out.high, out.low)
    return low if volts < low else high if volts > high else volts


def volts_of_note(out: Output, note: float) -> float:
    """Volts that sound a note by the output's law, not clamped.

    Args:
        out: a pitch output.
        note: MIDI note number, fractional allowed.
    """
    octaves = (note - out.reference_note) / 12.0
    if out.law == "hz/v":
        # Far beyond every range: 2**64 is as good as infinite and does not overflow.
        return out.reference_volts * math.pow(2.0, min(octaves, 64.0))
    return out.reference_volts + octaves * out.volts_per_octave


def note_of_volts(out: Output, volts: float) -> float:
    """The note (fractional) that a voltage sounds by the output's law.

    Args:
        out: a pitch output.
        volts: any.

    Returns:
        A MIDI note number of any size; -inf where Hz/V has no pitch (0 V and below).
    """
    if out.law == "hz/v":
        if volts <= 0.0 or out.reference_volts <= 0.0:
            return -math.inf
        return out.reference_note + 12.0 * math.log2(volts / out.reference_volts)
    return out.reference_note + 12.0 * (volts - out.reference_volts) / out.volts_per_octave


def code_step_volts(out: Output, at_volts: float | None = None) -> float:
    """Volts between two neighbouring MIDI values of this output; for Hz/V by notes at `at_volts`
    (the upper end unless told). 0 for jacks that only open and close."""
    if out.address.by == "note-pitch":
        semitones = out.bend_semitones / BEND_CENTRE if out.bend_semitones > 0.0 else 1.0
        if out.law == "v/oct":
            return abs(out.volts_per_octave) * semitones / 12.0
        volts = max(out.low, out.high) if at_volts is None else at_volts
        return abs(volts) * (math.pow(2.0, semitones / 12.0) - 1.0)
    top = TOP_CODE.get(out.address.by)
    if top is None or (out.gates and out.address.by != "note-velocity"):
        return 0.0
    return abs(out.high - out.low) / top


def converter_step_volts(out: Output) -> float:
    """Volts between two neighbouring values of the converter; 0 when nothing is said of it."""
    return abs(out.high - out.low) / (2**out.bits - 1) if out.bits > 0 else 0.0


def step_volts(out: Output, at_volts: float | None = None) -> float:
    """The resolution of an output in volts: half of it bounds the error of any wanted voltage.

    Where the converter's grid is not the grid of the MIDI values, both round, so both count.

    Args:
        out: of any kind.
        at_volts: where in its range, which counts for Hz/V by notes alone; None: at the upper end.

    Returns:
        0 for jacks that only open and close.
    """
    code = code_step_volts(out, at_volts)
    if code == 0.0:
        return 0.0
    converter = converter_step_volts(out)
    return code if math.isclose(code, converter, rel_tol=1e-9) else code + converter


def step_cents(out: Output, at_volts: float | None = None) -> float:
    """The resolution of a pitch output in cents.

    Args:
        out: a pitch output.
        at_volts: where in its range, above 0; counts for Hz/V alone, where low notes are the coarse
            ones. None: at the reference.
    """
    if out.law == "v/oct":
        return CENTS_PER_OCTAVE * step_volts(out) / abs(out.volts_per_octave)
    volts = out.reference_volts if at_volts is None else at_volts
    return CENTS_PER_OCTAVE * math.log2(1.0 + step_volts(out, volts) / volts)
