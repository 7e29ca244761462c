"""A player process that is begun before anything else is read.

It takes as long to load as the supervisor itself. Begun first, it loads beside it on another core,
and waits for its `Start`. It ends by itself when none comes: its standard input is closed then.
Nothing heavy may be imported here.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from bridge.supervisor.voice import hold_standard_handles

Child = subprocess.Popen[bytes]


def start_player() -> Child:
    """Starts a player process that waits on its standard input for a pickled `Start`."""
    return subprocess.Popen(
        [sys.executable, "-m", "bridge.player.process"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )


@contextmanager
def player_ahead() -> Iterator[Child]:
    """A player process for `bridge.supervisor.supervise.run`; one that was not made use of has
    ended after it."""
    hold_standard_handles()  # or its pipes would take their places
    child = start_player()
    try:
        yield child
    finally:
        if child.stdin is not None and not child.stdin.closed:
            child.kill()
            child.communicate()
