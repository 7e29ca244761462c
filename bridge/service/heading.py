"""Where a macro is going: what its value says while it stands, and not while it glides."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def heading(macro: Mapping[str, Any]) -> float:
    """The value that a macro of the state is on its way to, or has."""
    glide = macro.get("glide")  # start, end, tick, ticks
    return float(macro["value"] if glide is None else glide[1])
