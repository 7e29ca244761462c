"""What the last good soundcheck by ear has heard, kept beside the rig.

`rig.yaml` has `rig.sounds.yaml` next to it: for each gate the day, how late and how loud it was,
and the figures of its sound. No sound itself is kept. Every change leaves a dated copy.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Annotated, ClassVar

from pydantic import Field

from bridge.errors import InputError
from bridge.files.document import Document, in_order
from bridge.files.store import save
from bridge.files.strict import Limits, Reads, Strict, check
from bridge.files.tuning import read_date, read_output
from bridge.listen.sound import OCTAVES, Sound


@dataclass(frozen=True, slots=True)
class Known:
    """The sound of one gate as it was on a good day: ISO date, latency, figures."""

    made: str
    late_ms: float
    sound: Sound


def _bands(value: object) -> tuple[float, ...]:
    if not isinstance(value, list) or len(value) != len(OCTAVES):
        raise ValueError(f"must be a list of {len(OCTAVES)} numbers")
    if any(isinstance(n, bool) or not isinstance(n, int | float) for n in value):
        raise ValueError(f"must be a list of {len(OCTAVES)} numbers")
    if not all(-200.0 <= n <= 0.0 for n in value):
        raise ValueError("must be shares in dB, from -200 to 0")
    return tuple(float(n) for n in value)


class KnownModel(Strict):
    called: ClassVar[str] = "a sound"

    made: Annotated[str, Reads(read_date, "a date and time")]
    """when it was heard"""
    late_ms: Annotated[float, Limits(-1, 1000, "ms")]
    """how long after its message it began"""
    level_db: Annotated[float, Limits(-200, 1, "dB")]
    """its peak, of full scale"""
    centroid_hz: Annotated[float, Limits(1, 200_000, "Hz")]
    """its brightness: the mean frequency, weighed by power"""
    decay_ms: Annotated[float, Limits(0.01, 10_000, "ms")]
    """how long it takes to fall by 20 dB"""
    bands: Annotated[tuple[float, ...], Reads(_bands, "a list of numbers")]
    """the share of each octave from 31.5 Hz to 16 kHz, in dB"""


class SoundsFile(Strict):
    called: ClassVar[str] = "a file of sounds"

    sounds: dict[Annotated[str, Reads(read_output, "INTERFACE.OUTPUT")], KnownModel] = Field(
        default_factory=dict
    )
    """the gates that were heard"""


def sounds_path(rig: Path) -> Path:
    """`rig.sounds.yaml` beside `rig.yaml`."""
    return rig.with_name(f"{rig.stem}.sounds.yaml")


def load_sounds(rig: Path) -> dict[str, Known]:
    """The sounds beside a rig, by full name of the output; none when there is no file.

    Raises:
        InputError: the file cannot be read or is wrong; with every problem of it.
    """
    path = sounds_path(rig)
    if not path.exists():
        return {}
    model, problems, _ = check(SoundsFile, Document.read(path))
    if problems or model is None:
        raise InputError(in_order(problems))
    return {
        name: Known(
            item.made,
            item.late_ms,
            Sound(item.level_db, item.bands, item.centroid_hz, item.decay_ms),
        )
        for name, item in model.sounds.items()
    }


def save_sounds(rig: Path, sounds: Mapping[str, Known], now: datetime) -> Path:
    """Writes the sounds beside the rig; a dated copy of what was there is kept.

    Args:
        rig: the path of the rig's file.
        sounds: all that the file holds then, by full name of the output.
        now: the date of the copy.

    Returns:
        The path of the file of sounds.

    Raises:
        OSError: it cannot be written; what was there stays.
    """
    path = sounds_path(rig)
    save(path, sounds_text(sounds), now)
    return path


def sounds_text(sounds: Mapping[str, Known]) -> str:
    """The file. A tenth of a dB and of a millisecond is finer than any voice repeats."""
    lines = [
        "# Figures of what the last good soundcheck has heard; the sounds themselves are not kept.",
        "# Take an output away here and it is compared with nothing.",
        "sounds:" if sounds else "sounds: {}",
    ]
    for name, one in sounds.items():
        heard = one.sound
        lines += [
            f"  {name}:",
            f'    made: "{one.made}"',
            f"    late_ms: {one.late_ms:.1f}",
            f"    level_db: {heard.level_db:.1f}",
            f"    centroid_hz: {heard.centroid_hz:.1f}",
            f"    decay_ms: {heard.decay_ms:.1f}",
            f"    bands: [{', '.join(f'{share:.1f}' for share in heard.bands)}]",
        ]
    return "\n".join(lines) + "\n"
