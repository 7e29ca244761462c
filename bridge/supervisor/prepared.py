"""What a player is begun with, as the supervisor holds it: what it looks at, and the rest packed.

A `Start` and a score are objects of many modules. The supervisor only hands them on, so it holds
them as pickles and never loads what they are made of (measured: 15 MB less).
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from bridge.player.frames import pack_start
from bridge.supervisor.failsafe import Safety
from bridge.supervisor.fallback import Loaded

CHANGED = ("text", "file", "revision", "snapshot", "play", "safe", "restarts", "warnings")
"""What may be another thing for a later player than it was for the first."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """`start` is a pickled `bridge.player.start.Start`; what stands in both means the same, and
    what stands here goes before. `score` and `memory` are pickles that take the place of its own,
    or None. `good` is the last good copy of the set, unless that is what is played; `safeties`
    close the outputs of each port; `rig_texts` are the files of the rig by their names."""

    start: bytes
    rig: str
    set: str
    text: str
    file: str
    version: str
    meter: tuple[int, int]
    revision: int
    play: bool
    snapshot: Mapping[str, Any] | None
    warnings: tuple[str, ...]
    safeties: Mapping[str, Safety]
    good: Loaded | None
    rig_text: str
    rig_texts: Mapping[str, str]
    score: bytes | None = None
    memory: bytes | None = None
    restarts: int = 0
    safe: bool = False

    def packed(self) -> bytes:
        """For the player's standard input. This process is its parent."""
        changes = {name: getattr(self, name) for name in CHANGED} | {"parent": os.getpid()}
        return pack_start(self.start, self.score, self.memory, changes)
