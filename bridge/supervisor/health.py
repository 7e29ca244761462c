"""What the supervisor alone knows, for whoever asks how we are: a small file in the folder of the
run, which is not on the disk where the system has a place for such folders."""

from __future__ import annotations

import contextlib
import json
from dataclasses import asdict, dataclass
from pathlib import Path

from bridge.files import store

FILE = "health.json"
EVERY_S = 2.0


@dataclass(frozen=True, slots=True)
class Health:
    """`player_restarts` and `service_starts` since the start, `recent_deaths` of players within the
    last minute, `kept_bytes` written within the last hour for takes and for a power cut, `unkept`
    why that cannot be done now, `lost_of_takes` rows that no take holds, `lines_left_out` of the
    log that nobody has read."""

    player_restarts: int = 0
    service_starts: int = 0
    recent_deaths: int = 0
    kept_bytes: int = 0
    unkept: str = ""
    lost_of_takes: int = 0
    lines_left_out: int = 0


class Told:
    """Writes it when it has changed; what cannot be written is not."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / FILE
        self._last: Health | None = None
        self._next_at = 0.0

    def due(self, now: float) -> bool:
        """Whether it is time to look again (monotonic seconds)."""
        if now < self._next_at:
            return False
        self._next_at = now + EVERY_S
        return True

    def tell(self, health: Health) -> None:
        if health == self._last:
            return
        self._last = health
        with contextlib.suppress(OSError):  # nobody's playing depends on it
            store.write_atomic(self._path, json.dumps(asdict(health)), lasting=False)


def read(folder: Path) -> Health | None:
    """What was told last in the folder of this run; None when nothing was, or nothing that can be
    read."""
    try:
        return Health(**json.loads((folder / FILE).read_bytes()))
    except (OSError, ValueError, TypeError):
        return None
