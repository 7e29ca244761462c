"""Where the program keeps what it must remember."""

from __future__ import annotations

import os
from pathlib import Path


def state_folder() -> Path:
    """The folder of the working text, last good copies and the access token (XDG Base Directory
    Specification: ``XDG_STATE_HOME``)."""
    home = os.environ.get("XDG_STATE_HOME")
    return (Path(home) if home else Path.home() / ".local" / "state") / "lanebridge"
