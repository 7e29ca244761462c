"""Opens an audio input where listening is installed, and says what to install where it is not."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING

from bridge.listen import wrong
from bridge.protocol.state import AudioInput

if TYPE_CHECKING:
    from bridge.listen.audio import Listener


Ears = Callable[[str, int], AbstractContextManager["Listener"]]
"""What opens an audio input, by name and channel, for as long as it is needed."""
SWITCH_S = 0.0002
"""The audio thread gets the interpreter within about this; 5 ms are a period of audio or more."""


def open_ear(wanted: str, channel: int = 1) -> Listener:
    """Listens to one channel (counted from 1) of the input called `wanted`, or of the one whose
    name holds it; empty is the default one. Raises `ListenError`, also where the libraries are
    missing."""
    wrong.insist_on_libraries()
    from bridge.listen.device import open_input

    return open_input(wanted, channel)


def audio_inputs() -> list[AudioInput]:
    """The audio inputs of this computer. Raises `ListenError` when listening is not installed."""
    wrong.insist_on_libraries()
    from bridge.listen.device import inputs

    return [
        {
            "name": one.name,
            "system": one.system,
            "channels": one.channels,
            "rate": one.rate,
            "default": one.default,
        }
        for one in inputs()
    ]


@contextlib.contextmanager
def listening(wanted: str, channel: int = 1) -> Iterator[Listener]:
    """`open_ear`, closed at the end; meanwhile the audio thread need not wait for other threads.

    Args:
        wanted: the input's name or a part of it; empty is the default one.
        channel: counted from 1.

    Raises:
        ListenError: it cannot be listened to, or the libraries are missing.
    """
    ear = open_ear(wanted, channel)
    switch = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S)
    try:
        yield ear
    finally:
        ear.close()
        sys.setswitchinterval(switch)
