"""Writes a quick listen: what was or would be played, by simulated voices."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bridge.listen.quick import Note

ENDING = ".wav"
HELP = (
    "FILE.wav is a quick listen by simulated voices. It begins quietly and stays 12 dB below full "
    "level; turn your monitors down first all the same."
)
MOST_S = 4 * 3600
"""Longest sound, 1.3 GB: a file of this kind ends at 4 GB."""


def insist() -> None:
    """Raises MachineError when what makes sound is not installed."""
    from bridge.errors import MachineError

    if find_spec("numpy") is None:
        raise MachineError("a .wav needs the library numpy: pip install 'lanebridge[listen]'")


def write(out: Path, notes: Sequence[Note], seconds: float) -> None:
    """Writes the file whole or not at all.

    Args:
        out: a file that ends in ``.wav`` (not checked here); what is there is replaced.
        notes: what sounds, in order of time.
        seconds: how long the music lasts, `MOST_S` at most; a second for its end follows.

    Raises:
        BridgeError: it would be too long.
        MachineError: it cannot be written.
    """
    from bridge.commands import outfile, progress
    from bridge.errors import BridgeError
    from bridge.files.read import reason
    from bridge.files.store import open_atomic
    from bridge.listen import quick

    if seconds > MOST_S:
        raise BridgeError(f"{seconds / 3600:.1f} hours are too long for a .wav; 4 are possible")
    with progress.shown("Sounding", round(seconds + quick.TAIL_S)) as done:
        try:
            with open_atomic(out) as file:
                quick.write(file, notes, seconds, done)
        except OSError as error:
            raise outfile.cannot_write(out, reason(error)) from error
