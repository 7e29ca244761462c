"""A stand-in for the audio library: streams that bring what a test gives them, when it does."""

from __future__ import annotations

from collections.abc import Sequence
from types import ModuleType, SimpleNamespace
from typing import Any

import numpy as np

Device = tuple[str, int, float]
"""Name, input channels, samples a second."""


class Refused(Exception):
    """What the library raises."""


class Stream:
    """An input stream; device 1 is used by another program."""

    def __init__(self, **told: Any) -> None:
        self.told = told
        self.samplerate = told["samplerate"]
        self.closed = False
        if told["device"] == 1:
            raise Refused("Device unavailable", -9985)

    def start(self) -> None:
        """It brings what `bring` is given."""

    def close(self) -> None:
        self.closed = True

    def bring(
        self, samples: np.ndarray[Any, Any], adc: float, now: float, lost: bool = False
    ) -> None:
        """One block, as the library's thread hands it over."""
        times = SimpleNamespace(inputBufferAdcTime=adc, currentTime=now)
        self.told["callback"](samples, len(samples), times, SimpleNamespace(input_overflow=lost))


def stand_in(devices: Sequence[Device]) -> ModuleType:
    """A module with what is used of the library; `lookups` counts how often it looked for devices."""
    fake: Any = ModuleType("sounddevice")
    fake.PortAudioError = Refused
    fake.InputStream = Stream
    fake.lookups = 0

    def look() -> None:
        fake.lookups += 1

    fake._terminate = lambda: None
    fake._initialize = look
    fake.query_hostapis = lambda: [{"name": "ALSA", "default_input_device": 0}]
    fake.query_devices = lambda: [
        {"name": n, "hostapi": 0, "max_input_channels": c, "default_samplerate": r}
        for n, c, r in devices
    ]
    made: ModuleType = fake
    return made
