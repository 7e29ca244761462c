"""Opens an audio input where listening is installed, and says what to install where it is not."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bridge.listen import wrong

if TYPE_CHECKING:
    from bridge.listen.audio import Listener


def needs_numpy() -> None:
    """Raises `ListenError` where the library is missing that everything else here needs."""
    try:
        import numpy  # noqa: F401
    except ImportError:
        raise wrong.no_library("the Python package numpy") from None


def open_ear(wanted: str, channel: int = 1) -> Listener:
    """Listens to one channel (counted from 1) of the input called `wanted`, or of the one whose
    name holds it; empty is the default one. Raises `ListenError`, also without numpy."""
    needs_numpy()
    from bridge.listen.device import open_input

    return open_input(wanted, channel)
