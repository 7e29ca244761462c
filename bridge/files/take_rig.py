"""The files of a rig inside a take, so that it can be played again when they have changed."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

from bridge.errors import InputError
from bridge.files.document import MAX_BYTES
from bridge.files.profile import find_profile
from bridge.files.read import read_bytes
from bridge.files.rig import Rig, load_rig
from bridge.files.tuning import corrections, tuning_path
from bridge.voltage.calibration import Correction

RIG = "rig.yaml"
_PLAIN = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,79}\.yaml")


def texts_of(rig: Rig) -> dict[str, str]:
    """The text of the rig, of the profiles that it uses and of its tuning, by file name; the rig is
    always `RIG`. What cannot be read is left out."""
    texts = {RIG: rig.text}
    beside = None if rig.path is None else rig.path.parent
    wanted: dict[str, Path] = {}
    for interface in rig.interfaces.values():
        try:
            wanted[f"{interface.profile.name}.yaml"] = find_profile(interface.profile.name, beside)
        except InputError:
            continue
    if rig.path is not None:
        wanted[tuning_path(Path(RIG)).name] = tuning_path(rig.path)
    for name, path in wanted.items():
        try:
            texts[name] = read_bytes(path, MAX_BYTES).decode()
        except (OSError, ValueError):
            continue
    return texts


def rig_of(texts: Mapping[str, str]) -> tuple[Rig, dict[str, Correction]]:
    """The rig that `texts_of` was made of (without a `path`), and its tuning by output.

    Raises:
        InputError: the texts are no rig.
        OSError: there is no place to read them from.
    """
    with TemporaryDirectory(prefix="lanebridge-") as folder:
        for name, text in texts.items():
            if _PLAIN.fullmatch(name):
                Path(folder, name).write_text(text, encoding="utf-8")
        rig = load_rig(Path(folder, RIG))
        tuned = corrections(rig)[0]
    return replace(rig, path=None), tuned
