"""A synthetic rack: voices made from the physics, driven by volts, heard on one audio line.

Written on its own: it shares no code with the package. Where there is MIDI, it is decoded here from
the MIDI 1.0 specification (controllers n and n + 32 make 14 bits; note-on with velocity 0 is a
note-off) and from the interface's text (`eight-gates-four-cv`: controllers 16 to 19 on channel 1,
notes from 36 on channel 10).

A voice is any object with ``render(n)``, the next n samples. As a program it is a JACK client:

usage: rack.py CLIENT_NAME JSON

It has the ports ``in`` (MIDI) and ``out`` (audio), prints ``ready`` when they are there, takes one
command in JSON per line from standard input ({"mute": true}, {"pull": true}, and settings of
voices), and ends with its input. JSON: see `Rack.of`.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float32]
Wide = NDArray[np.float64]
TABLE = 8192
C1_HZ = 32.7031956626  # ISO 16 and equal temperament; see tests/reference/tuning.csv


class Voice(Protocol):
    def render(self, n: int) -> Samples: ...


@cache
def _table(wave: str, harmonics: int) -> Wide:
    """One cycle of a wave cut off above so many harmonics (its Fourier series), at most 1 high."""
    x = np.arange(TABLE) / TABLE
    if wave == "sine" or harmonics == 1:
        made = np.sin(2 * np.pi * x)
    else:
        steps = range(1, harmonics + 1, 2 if wave == "square" else 1)
        spectrum = np.zeros(TABLE // 2 + 1, complex)
        for k in steps:
            spectrum[k] = -0.5j / k
        made = np.fft.irfft(spectrum, TABLE)
        made /= np.abs(made).max()
    return np.append(made, made[0])


@dataclass
class Tone:
    """An oscillator: volts in, sound out.

    Args:
        rate: samples a second.
        wave: ``sine``, ``square``, ``saw``, or ``noise`` (a resonance that follows the pitch).
        level: amplitude, 1 is full scale.
        law: ``v/oct``, or ``hz/v``.
        zero_hz: pitch at 0 V (``v/oct``).
        volts_per_octave: for ``v/oct``.
        hertz_per_volt: for ``hz/v``.
        gain, offset, bow: what is wrong with the way from the interface to the oscillator: volts
            become ``offset + gain * v + bow * v * (8 - v) / 16`` (`bow` is the error in the middle
            of 8 V).
        drift: cents a minute.
        glide_s: time constant of a portamento; 0 is none.
        vibrato: cents either way, at `vibrato_hz`.
        gate: how loud it is let through, 0 to 1.
    """

    rate: float = 48000.0
    wave: str = "saw"
    level: float = 0.3
    law: str = "v/oct"
    zero_hz: float = C1_HZ
    volts_per_octave: float = 1.0
    hertz_per_volt: float = 55.0
    gain: float = 1.0
    offset: float = 0.0
    bow: float = 0.0
    drift: float = 0.0
    glide_s: float = 0.0
    vibrato: float = 0.0
    vibrato_hz: float = 5.0
    gate: float = 1.0
    volts: float = 0.0
    _slewed: float = field(default=math.nan, init=False)
    _phase: float = field(default=0.0, init=False)
    _time: int = field(default=0, init=False)

    def hertz(self, volts: float | None = None) -> float:
        """The pitch at some volts of the interface, without drift and vibrato."""
        return float(self.hertz_of(np.array([self.volts if volts is None else volts]))[0])

    def hertz_of(self, volts: Wide) -> Wide:
        v = self.offset + self.gain * volts + self.bow * volts * (8.0 - volts) / 16.0
        if self.law == "hz/v":
            return np.asarray(self.hertz_per_volt * np.maximum(v, 0.0))
        return np.asarray(self.zero_hz * 2.0 ** (v / self.volts_per_octave))

    def render(self, n: int) -> Samples:
        hertz = self._pitches(n)
        steps = hertz / self.rate
        phase = self._phase + np.cumsum(steps) - steps
        self._phase = float((phase[-1] + steps[-1]) % 1.0) if n else self._phase
        self._time += n
        top = float(hertz.max()) if n else 1.0
        if top <= 0.0 or self.gate <= 0.0:
            return np.zeros(n, np.float32)
        # Harmonics up to 0.45 of the rate, as an interface's filter leaves; a quarter octave apart,
        # so that a glide keeps its table for a while.
        fitting = max(1.0, 0.45 * self.rate / top)
        harmonics = max(1, min(700, int(2.0 ** (math.floor(4 * math.log2(fitting)) / 4))))
        table = _table(self.wave, harmonics)
        at = (phase % 1.0) * TABLE
        left = at.astype(np.int64)
        made = table[left] + (at - left) * (table[left + 1] - table[left])
        return np.asarray(self.level * self.gate * made, dtype=np.float32)

    def _pitches(self, n: int) -> Wide:
        if math.isnan(self._slewed) or self.glide_s <= 0.0:
            self._slewed = self.volts
        seconds = (self._time + np.arange(n)) / self.rate
        cents = self.drift * seconds / 60.0
        if self.vibrato:
            cents = cents + self.vibrato * np.sin(2 * np.pi * self.vibrato_hz * seconds)
        if self._slewed == self.volts:
            hertz = np.full(n, self.hertz())
        else:
            left = (self._slewed - self.volts) * np.exp(
                -np.arange(1, n + 1) / (self.glide_s * self.rate)
            )
            hertz = self.hertz_of(self.volts + left)
            self._slewed = self.volts + float(left[-1])
        return np.asarray(hertz * 2.0 ** (cents / 1200.0))


@dataclass
class Hum:
    """The mains: its frequency and odd multiples, falling."""

    rate: float = 48000.0
    hertz: float = 50.0
    level: float = 0.01
    _time: int = field(default=0, init=False)

    def render(self, n: int) -> Samples:
        t = (self._time + np.arange(n)) / self.rate
        self._time += n
        made = sum(
            (
                a * np.sin(2 * np.pi * k * self.hertz * t + k)
                for k, a in ((1, 1.0), (3, 0.4), (5, 0.15))
            ),
            np.zeros(n),
        )
        return np.asarray(self.level * made / 1.3, dtype=np.float32)


class Hiss:
    """White noise, `level` is its standard deviation."""

    def __init__(self, level: float, seed: int = 1) -> None:
        self.level = level
        self._random = np.random.default_rng(seed)

    def render(self, n: int) -> Samples:
        return np.asarray(self.level * self._random.standard_normal(n), dtype=np.float32)


class Mix:
    """Voices on one line. `mute` leaves nothing, not even noise; beyond full scale it is cut."""

    def __init__(self, voices: Sequence[Voice], gain: float = 1.0) -> None:
        self.voices = list(voices)
        self.gain = gain
        self.mute = False

    def render(self, n: int) -> Samples:
        made = np.zeros(n, np.float32)
        for voice in self.voices:
            made += voice.render(n)
        if self.mute:
            made[:] = 0.0
        return np.asarray(np.clip(self.gain * made, -1.0, 1.0), dtype=np.float32)


class Interface:
    """MIDI to volts, for controllers of 14 bits on channel 1 and gates on notes of channel 10."""

    TOP_VOLTS = 8.0

    def __init__(self) -> None:
        self.high: dict[int, int] = {}
        self.code: dict[int, int] = {}
        self.gates: dict[int, int] = {}

    def message(self, data: bytes) -> tuple[str, int] | None:
        """Takes one message; tells what has moved: ``("volts", controller)`` or
        ``("gate", note)``."""
        kind, channel = data[0] & 0xF0, data[0] & 0x0F
        if kind == 0xB0 and channel == 0 and 16 <= data[1] < 20:
            self.high[data[1]] = data[2]
            self.code[data[1]] = data[2] << 7
            return ("volts", data[1])
        if kind == 0xB0 and channel == 0 and 48 <= data[1] < 52:
            number = data[1] - 32
            self.code[number] = (self.high.get(number, 0) << 7) | data[2]
            return ("volts", number)
        if kind in (0x80, 0x90) and channel == 9:
            self.gates[data[1]] = data[2] if kind == 0x90 else 0
            return ("gate", data[1])
        return None

    def volts(self, controller: int) -> float:
        return self.TOP_VOLTS * self.code.get(controller, 0) / 16383.0


class Rack:
    """Voices patched to an interface, on one line.

    Args:
        pitched: which voice the pitch of each controller (16, 17) goes to.
        gated: what the gate of each note goes to: a voice with ``strike(level)``, or a `Tone`,
            which sounds while its gate is open.
        others: what else is heard.
    """

    def __init__(
        self,
        pitched: Mapping[int, Tone],
        gated: Mapping[int, Any] | None = None,
        others: Sequence[Voice] = (),
    ) -> None:
        self.interface = Interface()
        self.pitched = dict(pitched)
        self.gated = dict(gated or {})
        for voice in self.gated.values():
            if isinstance(voice, Tone):
                voice.gate = 0.0
        voices: list[Voice] = []
        for voice in (*self.pitched.values(), *self.gated.values(), *others):
            if not any(voice is one for one in voices):
                voices.append(voice)
        self.line = Mix(voices)

    @classmethod
    def of(cls, told: Mapping[str, Any], rate: float) -> Rack:
        """A rack from ``{"pitched": {"16": {...}}, "hum": 0.01, "hiss": 0.003, "bleed": {...},
        "gain": 1}``; what is in the inner braces are the settings of a `Tone`."""
        pitched = {int(k): Tone(rate=rate, **v) for k, v in told.get("pitched", {}).items()}
        others: list[Voice] = []
        if "hum" in told:
            others.append(Hum(rate, level=told["hum"]))
        if "hiss" in told:
            others.append(Hiss(told["hiss"]))
        if "bleed" in told:
            others.append(Tone(rate=rate, **told["bleed"]))
        rack = cls(pitched, others=others)
        rack.line.gain = told.get("gain", 1.0)
        return rack

    def message(self, data: bytes) -> None:
        """One MIDI message, as it stood on the wire."""
        moved = self.interface.message(data)
        if moved is None:
            return
        what, number = moved
        if what == "volts" and number in self.pitched:
            self.pitched[number].volts = self.interface.volts(number)
        elif what == "gate" and number in self.gated:
            level = self.interface.gates[number] / 127.0
            voice = self.gated[number]
            if isinstance(voice, Tone):
                voice.gate = level
            elif level:
                voice.strike(level)

    def tell(self, told: Mapping[str, Any]) -> None:
        """Changes settings: ``mute``, ``gain``, or ``{"voice": 16, "offset": 0.1}``."""
        if "mute" in told:
            self.line.mute = told["mute"]
        if "gain" in told:
            self.line.gain = told["gain"]
        if "voice" in told:
            for name, value in told.items():
                if name != "voice":
                    setattr(self.pitched[told["voice"]], name, value)

    def render(self, n: int) -> Samples:
        return self.line.render(n)


def main() -> None:
    import jack

    client = jack.Client(sys.argv[1], no_start_server=True)
    rack = Rack.of(json.loads(sys.argv[2]), float(client.samplerate))
    keys = client.midi_inports.register("in")
    line = client.outports.register("out")

    def process(frames: int) -> None:
        made, done = line.get_array(), 0
        for offset, data in keys.incoming_midi_events():
            made[done:offset] = rack.render(offset - done)
            done = offset
            rack.message(bytes(data))
        made[done:] = rack.render(frames - done)

    client.set_process_callback(process)
    client.activate()
    print("ready", flush=True)
    for text in sys.stdin:
        told = json.loads(text)
        if told.get("pull"):
            break
        rack.tell(told)
    client.deactivate()
    client.close()


if __name__ == "__main__":
    main()
