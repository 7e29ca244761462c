"""Where the program keeps what it must remember."""

from __future__ import annotations

import os
from pathlib import Path

CLOSING = "closing.json"
"""In the state folder: what closes every output, ready to be sent."""


def state_folder() -> Path:
    """The folder of the working text, last good copies and the access token (XDG Base Directory
    Specification: ``XDG_STATE_HOME``)."""
    home = os.environ.get("XDG_STATE_HOME")
    return (Path(home) if home else Path.home() / ".local" / "state") / "lanebridge"


def run_folder() -> str | None:
    """Where the folder of one run is made (``XDG_RUNTIME_DIR``); None for the system's own place
    for what is temporary, also where the variable names a folder that is not there."""
    place = os.environ.get("XDG_RUNTIME_DIR")
    return place if place and os.access(place, os.W_OK | os.X_OK) else None
