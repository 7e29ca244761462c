"""A command that plays becomes the supervisor: the same process, with nothing left of the command.

What reads the command line is needed for a moment, and would stay in memory all night (measured:
1.5 MB). Nothing heavy may be imported here.
"""

from __future__ import annotations

import json
import os
import sys
from dataclasses import asdict
from pathlib import Path
from typing import NoReturn

from bridge.late import WITHOUT_COLUMNS
from bridge.supervisor.loading import Options


def play(options: Options) -> NoReturn:
    """Goes on as ``python -m bridge.supervisor`` (execve(2)), whose exit code is that of the
    command.

    Args:
        options: what is to be played, and how.
    """
    for stream in (sys.stdout, sys.stderr):
        if stream is not None:
            stream.flush()
    words = ["-m", "bridge.supervisor", in_words(options)]
    os.execv(sys.executable, [sys.executable, *WITHOUT_COLUMNS, *words])


def in_words(options: Options) -> str:
    """Options as one argument: a JSON object."""
    return json.dumps(asdict(options), default=str)


def from_words(text: str) -> Options:
    """What `in_words` has made of them."""
    given = json.loads(text)
    return Options(**given | {"rig": Path(given["rig"]), "set": Path(given["set"])})
