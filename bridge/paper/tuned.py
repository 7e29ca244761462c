"""How each output is tuned, in words, for the patch sheet."""

from __future__ import annotations

from bridge.files.rig import Rig
from bridge.files.tuning import corrections
from bridge.voltage.calibration import Correction


def words(rig: Rig) -> dict[str, str]:
    """By output; those that are not tuned (or were tuned as another kind of interface) are left
    out. InputError when the tuning file is wrong."""
    found, _ = corrections(rig)
    return {name: correction_words(correction) for name, correction in found.items()}


def correction_words(correction: Correction) -> str:
    """``tuned 2026-01-31: offset +12.3 mV, gain 0.9981, 6 points``."""
    points = len(correction.table)
    table = f", {points} point{'' if points == 1 else 's'}" if points else ""
    day = correction.made[:10] or "some day"
    return (
        f"tuned {day}: offset {1000 * correction.offset_volts:+.1f} mV, "
        f"gain {correction.gain:.4f}{table}"
    )
